"""Undoing the blur of the air, as far as the measured signal carries."""

from stacker.sharpening.record import Sharpened
from stacker.sharpening.sharpen import sharpen
from stacker.sharpening.showing import Tone, compressed, stretch_for_showing, tone_for_showing

__all__ = ["Sharpened", "Tone", "compressed", "sharpen", "stretch_for_showing", "tone_for_showing"]
