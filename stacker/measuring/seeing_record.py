"""What a capture says about the air above the telescope and about the telescope's own focus."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Focus = Literal["sharp", "defocused", "cannot tell"]


@dataclass(frozen=True)
class Seeing:
    """Fried's parameter, focus and their errors; None where the capture cannot carry a figure: see `notes`.

    Errors are one sigma. Fried's parameter r0 is given at 500 nm.
    """

    r0_mm: float | None = None
    """Along the line of sight."""
    r0_mm_error: float | None = None
    r0_zenith_mm: float | None = None
    """What the same air would give straight up; None where the target's altitude is not known."""
    r0_zenith_mm_error: float | None = None
    seeing_arcsec: float | None = None
    """Full width at half maximum of a long exposure, without an outer scale: 0.976 lambda / r0 at 500 nm."""
    seeing_arcsec_error: float | None = None
    fried_ratio: float | None = None
    """D / r0 at the observing wavelength."""
    fried_ratio_error: float | None = None
    defocus_waves_pv: float | None = None
    """Static defocus, peak to valley over the pupil, in observing wavelengths; its sign cannot be had."""
    defocus_waves_pv_error: float | None = None
    focus: Focus = "cannot tell"
    asymmetry: str | None = None
    """A sentence on static astigmatism or miscollimation, with its significance; None where none is significant."""
    motion_bound_r0_mm: float | None = None
    """r0 if all motion of the whole image were the air's: shaking makes it too small, a small outer scale too large."""
    differential_bound_r0_mm: float | None = None
    """r0 from patches moving against each other: an upper bound, as air at the telescope moves all of them alike."""
    turbulence_hint: str = ""
    """A sentence on where the turbulence sits, empty where the capture does not tell."""
    notes: dict[str, str] = field(default_factory=dict)
    """The reason for each None, what each figure assumes, by the name of the field."""


_KEYS = {
    "r0_mm": "r0_mm",
    "r0_zenith_mm": "r0_zenith_mm",
    "seeing_arcsec": "seeing_arcsec",
    "fried_ratio": "fried_ratio",
    "defocus_waves_pv": "defocus_waves_pv",
    "motion_bound_r0_mm": "r0_motion_bound_mm",
    "differential_bound_r0_mm": "r0_differential_bound_mm",
}
"""Figures by field of `Seeing`, and their keys in metrics.json."""


def seeing_figures(seeing: Seeing, notes: dict[str, str]) -> dict[str, Any]:
    """Return the record's figures, keyed as in metrics.json, errors included; its notes are added to `notes`."""
    found: dict[str, Any] = {"focus": seeing.focus}
    for field_name, key in _KEYS.items():
        found[key] = getattr(seeing, field_name)
        error = getattr(seeing, f"{field_name}_error", None)
        if found[key] is not None and error is not None:
            found[f"{key}_error"] = error
    for name, key in (("asymmetry", seeing.asymmetry or ""), ("turbulence", seeing.turbulence_hint)):
        if key:
            notes[name] = key
    notes |= {_KEYS.get(name, name): text for name, text in seeing.notes.items() if text}
    return found
