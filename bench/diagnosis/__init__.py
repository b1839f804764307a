"""A labelled benchmark for the diagnosis: tanks with known faults, and a score."""
