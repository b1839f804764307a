"""A tank and a microcontroller that behave like real ones, for the demo and the tests."""
