"""The same analysis over recorded readings, from files or from the store."""
