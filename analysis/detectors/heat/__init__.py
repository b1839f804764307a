"""Heater, cooler, and the limits of temperature."""
