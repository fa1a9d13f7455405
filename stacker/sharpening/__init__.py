"""Undoing the blur of the air, as far as the measured signal carries."""

from stacker.sharpening.record import Sharpened
from stacker.sharpening.sharpen import sharpen
from stacker.sharpening.showing import Tone, stretch_for_showing, tone_for_showing

__all__ = ["Sharpened", "Tone", "sharpen", "stretch_for_showing", "tone_for_showing"]
