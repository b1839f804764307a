"""Where readings, alarm events, notices and saved states are kept."""
