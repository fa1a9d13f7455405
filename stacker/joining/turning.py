"""How far a planet turned between the parts of a picture."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi, radians

from stacker.joining.part import Part

_WORTH_TELLING_PX = 0.3
_WORTH_TELLING_S = 1.0


def turned_remark(parts: Sequence[Part], scale_arcsec_per_px: float | None) -> str:
    """Return in words what time lies between parts, and how far the disc's middle moved meanwhile where it is known.

    Empty for a single part, and for parts of the same time.
    """
    times = sorted(part.middle_utc for part in parts if part.middle_utc is not None)
    if len(times) < 2:
        return "" if len(parts) < 2 else "the times of the parts are not known: a planet may have turned between them"
    span_s = (times[-1] - times[0]).total_seconds()
    if span_s < _WORTH_TELLING_S:
        return ""
    said = f"{span_s:.0f} s lie between the middles of the first and the last part"
    moved = _moved_px(parts[0], span_s, scale_arcsec_per_px)
    if moved is None or moved < _WORTH_TELLING_PX:
        return said
    return f"{said}: the middle of the disc moved by {moved:.1f} px, which is not taken back here"


def _moved_px(part: Part, span_s: float, scale_arcsec_per_px: float | None) -> float | None:
    """Return how far the middle of a turning disc moves: its rate times its radius; None where not known."""
    from stacker.sky.ephemeris import look_at

    if part.target is None or part.middle_utc is None or not scale_arcsec_per_px:
        return None
    try:
        look = look_at(part.target, part.middle_utc)
    except ValueError:
        return None
    # The rate is that of the mean system where there are several: they differ by a hundredth.
    rates = [abs(rate) for _, rate in look.body.turn.values()]
    turned = radians(sum(rates) / len(rates) * span_s / 86400.0) % (2 * pi)
    return turned * 0.5 * look.diameter_arcsec / scale_arcsec_per_px
