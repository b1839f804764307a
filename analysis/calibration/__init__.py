"""Calibrating probes: the steady reading, the verdict, the history."""
