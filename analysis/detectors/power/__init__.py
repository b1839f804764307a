"""A device that has gone silent, and the mains."""
