"""Settings that the tank's own behaviour contradicts."""
