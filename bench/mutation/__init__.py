"""Mutants of the safety code: each small fault put into it must fail a test."""
