"""The copy of readings on an InfluxDB server: behind the service, and read back."""
