"""Telescope optics and the sky."""
