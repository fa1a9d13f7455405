"""What must be said of the Sun, and of anything near it, every time."""

from __future__ import annotations

NEAR_SUN_DEG = 20.0
FILTER_CAUTION = (
    "DANGER, THE SUN: only through a certified full-aperture solar filter in front of the telescope, every finder "
    "capped or taken off, the telescope never left alone. Without it eyes and cameras are destroyed in an instant. "
    "The maker's instructions and your local rules come first."
)


def caution_for(target: str, elongation_deg: float) -> str | None:
    """Return what must be said of a target this far from the Sun's centre; None where it is 20 degrees off or more."""
    if target == "Sun":
        return FILTER_CAUTION
    if elongation_deg < NEAR_SUN_DEG:
        return (
            f"DANGER, {target.upper()} STANDS ONLY {elongation_deg:.0f} DEGREES FROM THE SUN: point at it only while "
            "the Sun is below the horizon, and never sweep for it. A telescope that meets the Sun without a "
            "full-aperture filter destroys eyes and cameras in an instant."
        )
    return None
