"""May the keeper leave, and the sheet for who looks after the tank."""
