"""Simulated captures whose truth is known."""

from stacker.simulation.calibration_frames import Lamp, calibration_frames, write_calibration
from stacker.simulation.planet import BandedPlanet
from stacker.simulation.recording import truth_of, write_simulation
from stacker.simulation.scenario import Air, Detector, Layer, Mishaps, Optics, Scenario, Tracking
from stacker.simulation.scenes import EmptySky, FeaturelessDisc, FlatField, Scene, TexturedDisc
from stacker.simulation.simulate import Simulated, simulate
from stacker.simulation.surface import CrateredSurface

__all__ = [
    "Air",
    "BandedPlanet",
    "CrateredSurface",
    "Detector",
    "EmptySky",
    "FeaturelessDisc",
    "FlatField",
    "Lamp",
    "Layer",
    "Mishaps",
    "Optics",
    "Scenario",
    "Scene",
    "Simulated",
    "TexturedDisc",
    "Tracking",
    "calibration_frames",
    "simulate",
    "truth_of",
    "write_calibration",
    "write_simulation",
]
