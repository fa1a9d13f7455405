"""The colours of one image: brought together, balanced, combined from several captures."""

from stacker.colour.registering import align_colours, colour_shifts
from stacker.colour.sharing import share_detail

__all__ = ["align_colours", "colour_shifts", "share_detail"]
