"""Frames put right before anything is measured on them: darks, flats, the sensor's defects, its colours, its noise."""

from stacker.calibration.calibrate import calibrate

__all__ = ["calibrate"]
