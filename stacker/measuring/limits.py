"""The verdict: what stood between a capture and its telescope's diffraction limit, worst first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from stacker.measuring.advice import advise
from stacker.measuring.causes import BAND_ERROR, Causes, cause_figures
from stacker.measuring.sampling import ENOUGH_PX, pixel_transfer
from stacker.measuring.shortfall import (
    IDEAL_FRAMES,
    IDEAL_SNR,
    Seen,
    beyond_nyquist,
    divide,
    ideal_curve,
    ideal_signal,
    ring_frequency,
    seen_rings,
)
from stacker.measuring.smear import smear_transfer
from stacker.sky.optics import diffraction_transfer

Curve = NDArray[np.float64]

NAMES = ("air", "optics", "sampling", "light", "frames", "rotation", "tracking", "dispersion", "clipping")
ASSUMED_PX_PER_ELEMENT = 3.0
"""Where the telescope is not known (common practice, no source)."""
_LEAST_ERROR = 0.02
_UNKNOWN_ERROR = 0.25
_BOUND_ERROR = 0.5
_LIMB_ERROR = 0.3
_FAINTEST = 1e-4


@dataclass(frozen=True)
class Limit:
    """One cause and what it took."""

    name: str
    """air, optics, sampling, light, frames, rotation, tracking, dispersion or clipping."""
    share: float | None
    """Of the information that the ideal capture holds and this one does not, 0 to 1; None where it cannot be told."""
    share_error: float | None
    sentence: str
    """What it was and what to do next time."""


@dataclass(frozen=True)
class Verdict:
    """What limited a capture."""

    limits: tuple[Limit, ...]
    """Worst first; what cannot be told comes last."""
    missing: float | None
    """Share of the ideal capture's information that is missing."""
    note: str = ""
    """Why there is no verdict, or what it takes for granted."""

    def as_records(self) -> list[dict[str, Any]]:
        """Return the limits as they stand in metrics.json."""
        return [asdict(limit) for limit in self.limits]


@dataclass(frozen=True)
class Budget:
    """What the depths of the causes hang on: a value and its error each."""

    values: dict[str, float]
    errors: dict[str, float]
    unknown: dict[str, str] = field(default_factory=dict)
    """Causes of which nothing is known, and how much of a stand-in their value is, in words."""


def verdict(causes: Causes) -> Verdict:
    """Return the causes of a capture's shortfall, worst first; see `shortfall` for what a share is.

    Transfers: air by the short-exposure formula of Fried (1966, J. Opt. Soc. Am. 56, 1372) at the measured D/r0, or
    what a limb shows beyond the other causes where D/r0 is not known; a static defocus by the autocorrelation of the
    pupil; pixels, rotation, motion during an exposure and the spread of colours by sinc. Noise: photons and read noise
    of a frame against a frame of signal to noise 40, usable frames against 500; frames that were left out for their
    blur are charged to the air. Errors: each measured value is moved by its own, the shares' changes add in quadrature.
    """
    seen = _seen(causes)
    if seen is None:
        return Verdict((), None, "needs a target of some size and enough frames for two half-stacks")
    budget = budget_of(causes)
    telescope = diffraction_transfer(ring_frequency(), causes.obstruction_ratio)
    shares, missing = _shares(causes, budget.values, seen, telescope)
    errors = dict.fromkeys(shares, _LEAST_ERROR**2)
    for name, error in budget.errors.items():
        moved = budget.values | {name: budget.values[name] + error}
        changed, _ = _shares(causes, moved, seen, telescope)
        for cause in shares:
            errors[cause] += (changed[cause] - shares[cause]) ** 2
    blind = _UNKNOWN_ERROR if "air" in budget.unknown or causes.sampling is None else 0.0
    limits = [
        Limit(
            name,
            None if name in budget.unknown else shares[name],
            None if name in budget.unknown else float(min(np.hypot(np.sqrt(errors[name]), blind), 1.0)),
            advise(name, shares[name], causes, budget.unknown.get(name)),
        )
        for name in NAMES
    ]
    limits.sort(key=lambda limit: -1.0 if limit.share is None else limit.share, reverse=True)
    note = (
        "" if causes.sampling else f"the telescope is not known: {ASSUMED_PX_PER_ELEMENT:.0f} px per lambda/D assumed"
    )
    return Verdict(tuple(limits), missing, note)


def limit_figures(causes: Causes, notes: dict[str, str]) -> dict[str, Any]:
    """Return the verdict and the figures of the causes, keyed as in metrics.json; reasons for None go into `notes`."""
    found = verdict(causes)
    notes |= causes.notes
    if found.note:
        notes["limits"] = found.note
    return cause_figures(causes) | {"limits": found.as_records(), "missing_information": found.missing}


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
    element = 0.5 * _px_per_element(causes) * (np.sqrt(0.5) if causes.mosaic else 1.0)
    if light is None:
        unknown["light"] = "no target brighter than the sky"
    put("snr", 1.0 if light is None else light.snr_frame * element, None if light is None else light.snr_frame_error)
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
    """Take D/r0 as measured, else what the limb tells, else what the image's motion bounds."""
    seeing = causes.seeing
    put("limb", 0.0, None)
    if seeing is not None and seeing.fried_ratio is not None:
        put("air", seeing.fried_ratio, seeing.fried_ratio_error)
        return
    put("air", 0.0, None)
    if causes.limb is not None and causes.sampling is not None:
        put("limb", 1.0, _LIMB_ERROR)
        return
    unknown["air"] = "" if seeing is None else seeing.notes.get("fried_ratio", seeing.notes.get("r0_mm", ""))


def _put_optics(causes: Causes, put: Callable[[str, float, float | None], None], unknown: dict[str, str]) -> None:
    seeing = causes.seeing
    if seeing is None or seeing.focus == "cannot tell" or seeing.defocus_waves_pv is None:
        put("defocus", 0.0, None)
        unknown["optics"] = "" if seeing is None else seeing.notes.get("defocus_waves_pv", "")
        return
    # A focus found sharp may be off by as much as its error; that is not a finding.
    put("defocus", seeing.defocus_waves_pv if seeing.focus == "defocused" else 0.0, seeing.defocus_waves_pv_error)


def depths_of(causes: Causes, values: dict[str, float]) -> dict[str, Curve]:
    """Return how much of ln S each cause takes at each ring, sampling beyond the pixels' reach apart."""
    x = ring_frequency()
    px = _px_per_element(causes)
    wanted = max(ENOUGH_PX[False], px)
    pixels = pixel_transfer(x, px) / pixel_transfer(x, wanted)
    frames, count = causes.frames, max(causes.frames.usable, 1)
    lost = -np.log(min(max(values["kept"], 0.01), 1.0))
    flat = np.ones_like(x)
    depths = {
        "air": _air_depth(x, values["air"]) + flat * np.log(max(count / max(frames.effective, 1.0), 1.0)),
        "optics": _depth(defocus_transfer(abs(values["defocus"]), causes.obstruction_ratio)),
        "sampling": _depth(pixel_transfer(x, px) / pixel_transfer(x, 2.0)) if px < ENOUGH_PX[False] else 0.0 * pixels,
        "light": flat * max(2.0 * np.log(IDEAL_SNR / max(values["snr"], 0.01)), 0.0),
        "frames": flat * max(np.log(IDEAL_FRAMES / count) - lost, 0.0),
        "rotation": _depth(smear_transfer(x / px, abs(values["rotation"]))),
        "tracking": _depth(smear_transfer(x / px, abs(values["smear"]))) + flat * lost,
        "dispersion": _depth(smear_transfer(x / px, abs(values["band"]))),
    }
    if values["limb"]:
        depths["air"] = depths["air"] + values["limb"] * _limb_depth(causes, depths)
    return depths


def _shares(causes: Causes, values: dict[str, float], seen: Seen, telescope: Curve) -> tuple[dict[str, float], float]:
    depths = depths_of(causes, values)
    others = np.sum(list(depths.values()), axis=0)
    (level, slope), covariance = ideal_signal(seen, others, telescope)
    level += values["level"] * float(np.sqrt(covariance[0, 0]))
    slope += values["slope"] * float(np.sqrt(covariance[1, 1]))
    ideal = ideal_curve(seen, level, slope, telescope)
    coarse = beyond_nyquist(ideal, others, _px_per_element(causes), max(causes.frames.effective, 1.0))
    depths["sampling"] = depths["sampling"] + coarse
    return divide(ideal, depths, causes.clipped_fraction)


def _px_per_element(causes: Causes) -> float:
    return ASSUMED_PX_PER_ELEMENT if causes.sampling is None else causes.sampling.px_per_element


def _seen(causes: Causes) -> Seen | None:
    resolution = causes.resolution
    if resolution is None:
        return None
    rings = resolution.rings
    unit = causes.zoom * _px_per_element(causes)
    resolved = None if resolution.half_bit_px is None else unit / resolution.half_bit_px
    return seen_rings(rings.frequency_cyc_per_px * unit, rings.correlation, rings.count, resolved)


def _air_depth(x: Curve, fried_ratio: float) -> Curve:
    """Return -2 ln of Fried's (1966) short-exposure transfer, image motion followed."""
    return np.asarray(6.88 * (x * max(fried_ratio, 0.0)) ** (5.0 / 3.0) * (1.0 - np.cbrt(x)))


def _limb_depth(causes: Causes, depths: dict[str, Curve]) -> Curve:
    """Return what the limb lost beyond telescope, pixels and the motions that are known."""
    assert causes.limb is not None
    x = ring_frequency()
    px = _px_per_element(causes)
    telescope = diffraction_transfer(x, causes.obstruction_ratio) * pixel_transfer(x, px)
    limb, f = causes.limb, x / px / causes.zoom
    low = np.flatnonzero(limb.transfer < 0.05)
    last = float(limb.frequency_cyc_per_px[low[0]]) if len(low) else float(limb.frequency_cyc_per_px[-1])
    seen = np.interp(np.minimum(f, last), limb.frequency_cyc_per_px, limb.transfer)
    known = depths["rotation"] + depths["dispersion"] + depths["optics"]
    known = known + _depth(smear_transfer(x / px, causes.tracking.smear_px or 0.0))
    lost = np.maximum(_depth(np.minimum(seen / np.maximum(telescope, 0.02), 1.0)) - known, 0.0)
    return np.asarray(np.where(f > last, lost[max(int((f <= last).sum()) - 1, 0)], lost))


def _depth(transfer: Curve) -> Curve:
    return np.asarray(-2.0 * np.log(np.clip(transfer, _FAINTEST, 1.0)))


def defocus_transfer(waves_pv: float, obstruction_ratio: float = 0.0) -> Curve:
    """Return what a static defocus leaves beside the telescope's own transfer, on `ring_frequency`.

    `waves_pv` is the wavefront's error from the middle to the rim of the pupil in wavelengths: 2 pi waves rho^2 of
    phase (Hopkins 1955, Proc. R. Soc. A 231, 91). The modulus: a reversed contrast counts as what it is worth.
    """
    return _defocus_transfer(round(waves_pv, 3), round(obstruction_ratio, 3))


@lru_cache(maxsize=64)
def _defocus_transfer(waves_pv: float, obstruction_ratio: float) -> Curve:
    if waves_pv == 0:
        return np.ones_like(ring_frequency())
    size, across = 256, 120
    y, x = np.meshgrid(*(2 * (np.arange(size) - size / 2 + 0.5) / across,) * 2, indexing="ij")
    rho2 = x**2 + y**2
    pupil = ((rho2 <= 1.0) & (rho2 >= obstruction_ratio**2)).astype(float)
    frequency = np.arange(across + 1) / across
    otfs = []
    for waves in (waves_pv, 0.0):
        spread = np.abs(scipy.fft.fft2(pupil * np.exp(2j * np.pi * waves * rho2))) ** 2
        otf = np.abs(scipy.fft.ifft2(spread))[0, : across + 1]
        otfs.append(otf / otf[0])
    ratio = otfs[0] / np.maximum(otfs[1], 1e-4)
    return np.asarray(np.interp(ring_frequency(), frequency, np.minimum(ratio, 1.0)))
