"""Defects of the sensor, found and repaired."""
