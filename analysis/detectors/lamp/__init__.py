"""The lamp: its hours, whether it is on, how bright it still is."""
