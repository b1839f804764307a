"""A week or a month on paper."""
