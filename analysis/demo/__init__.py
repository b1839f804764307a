"""The whole job on a simulated tank, compressed in time."""
