"""Why an alarm was raised, for the terminal and as a picture."""
