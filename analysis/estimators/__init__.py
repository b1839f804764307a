"""What is learnt of a tank: small running estimates whose whole state is plain data."""
