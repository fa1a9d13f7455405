"""Frames in: one contract for every kind of capture, and what its header and sidecar say."""

from stacker.capture.circumstances import Camera, Circumstances, Site, Telescope
from stacker.capture.in_memory import Film
from stacker.capture.opening import open_capture
from stacker.capture.sequence import Capture, CaptureError

__all__ = ["Camera", "Capture", "CaptureError", "Circumstances", "Film", "Site", "Telescope", "open_capture"]
