"""From nothing to a watched tank: `rushlight init`."""
