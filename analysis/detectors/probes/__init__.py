"""Probes that are dead, flat, jump or jitter."""
