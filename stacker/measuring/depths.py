"""How deep each cause cut: what it took from the logarithm of signal over noise at each frequency of the band."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.causes import BAND_ERROR, Causes
from stacker.measuring.sampling import ENOUGH_PX, pixel_transfer
from stacker.measuring.shortfall import IDEAL_FRAMES, IDEAL_SNR, ring_frequency
from stacker.measuring.transfers import defocus_transfer, kept_transfer, smear_transfer

Curve = NDArray[np.float64]

ASSUMED_PX_PER_ELEMENT = 3.0
"""Where the telescope is not known (common practice, no source)."""
_FAINTEST = 1e-4


@dataclass(frozen=True)
class Budget:
    """What the depths of the causes hang on: a value and its error each."""

    values: dict[str, float]
    errors: dict[str, float]
    unknown: dict[str, str] = field(default_factory=dict)
    """Causes of which nothing is known, and how much of a stand-in their value is, in words."""


def budget_of(causes: Causes) -> Budget:
    """Return the numbers behind the depths, with their errors."""
    values: dict[str, float] = {}
    errors: dict[str, float] = {}
    unknown: dict[str, str] = {}

    def put(name: str, value: float, error: float | None) -> None:
        values[name] = value
        if error:
            errors[name] = error

    put("level", 0.0, 1.0)
    put("slope", 0.0, 1.0)
    _put_air(causes, put, unknown)
    _put_optics(causes, put, unknown)
    light, tracking, rotation = causes.light, causes.tracking, causes.rotation
    element = 0.5 * px_per_element(causes) * (np.sqrt(0.5) if causes.mosaic else 1.0)
    if light is None:
        unknown["light"] = "no target brighter than the sky"
    put(
        "snr",
        1.0 if light is None else light.snr_frame * element,
        None if light is None else light.snr_frame_error * element,
    )
    if rotation is None:
        unknown["rotation"] = causes.notes.get("rotation_smear_px", "")
    put("rotation", rotation.left_px if rotation else 0.0, rotation.left_px_error if rotation else None)
    put("smear", tracking.smear_px or 0.0, tracking.smear_px_error)
    put("kept", tracking.kept_share, None)
    if causes.band_smear_px is None:
        unknown["dispersion"] = "needs a known target, its time, the site and the scale, or a colour camera"
    put("band", causes.band_smear_px or 0.0, BAND_ERROR * (causes.band_smear_px or 0.0))
    if causes.sampling is None:
        unknown["sampling"] = causes.notes.get("sampling_px_per_element", "")
    return Budget(values, errors, unknown)


def _put_air(causes: Causes, put: Callable[[str, float, float | None], None], unknown: dict[str, str]) -> None:
    seeing = causes.seeing
    if seeing.fried_ratio is not None:
        put("air", seeing.fried_ratio, seeing.fried_ratio_error)
        return
    put("air", 0.0, None)
    unknown["air"] = seeing.notes.get("fried_ratio", seeing.notes.get("r0_mm", ""))


def _put_optics(causes: Causes, put: Callable[[str, float, float | None], None], unknown: dict[str, str]) -> None:
    seeing = causes.seeing
    if seeing.focus == "cannot tell" or seeing.defocus_waves_pv is None:
        put("defocus", 0.0, None)
        unknown["optics"] = seeing.notes.get("defocus_waves_pv", "")
        return
    if _smear_px(causes) > px_per_element(causes):
        put("defocus", 0.0, None)
        unknown["optics"] = "the target turned or moved too far"
        return
    # A focus found sharp may be off by as much as its error; that is not a finding.
    put("defocus", seeing.defocus_waves_pv if seeing.focus == "defocused" else 0.0, seeing.defocus_waves_pv_error)


def _smear_px(causes: Causes) -> float:
    """Return the longer of the smears that a fit of the focus does not know of."""
    return max(causes.tracking.smear_px or 0.0, causes.rotation.left_px if causes.rotation else 0.0)


def depths_of(causes: Causes, values: dict[str, float]) -> dict[str, Curve]:
    """Return how much of ln S each cause takes at each ring, sampling beyond the pixels' reach apart."""
    x = ring_frequency()
    px = px_per_element(causes)
    frames, count = causes.frames, max(causes.frames.usable, 1)
    lost = -np.log(min(max(values["kept"], 0.01), 1.0))
    flat = np.ones_like(x)
    return {
        "air": _depth(kept_transfer(x, values["air"])) + flat * np.log(max(count / max(frames.effective, 1.0), 1.0)),
        "optics": _depth(defocus_transfer(x, values["defocus"], causes.obstruction_ratio)),
        "sampling": _depth(pixel_transfer(x, px) / pixel_transfer(x, ENOUGH_PX[False])),
        "light": flat * max(2.0 * np.log(IDEAL_SNR / max(values["snr"], 0.01)), 0.0),
        "frames": flat * max(np.log(IDEAL_FRAMES / count) - lost, 0.0),
        "rotation": _depth(smear_transfer(x / px, abs(values["rotation"]))),
        "tracking": _depth(smear_transfer(x / px, abs(values["smear"]))) + flat * lost,
        "dispersion": _depth(smear_transfer(x / px, abs(values["band"]))),
    }


def px_per_element(causes: Causes) -> float:
    """Return camera pixels per lambda/D, assumed where the telescope is not known."""
    return ASSUMED_PX_PER_ELEMENT if causes.sampling is None else causes.sampling.px_per_element


def _depth(transfer: Curve) -> Curve:
    return np.asarray(-2.0 * np.log(np.clip(transfer, _FAINTEST, 1.0)))
