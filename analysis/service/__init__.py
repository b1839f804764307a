"""The analysis as the running service has it, and what is asked of that service."""
