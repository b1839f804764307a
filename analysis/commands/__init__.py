"""One file a command of `rushlight`; `main` is the door."""
