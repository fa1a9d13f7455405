"""Captures of one target at several exposures made one picture, from the bright side to the faint moons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite
from os.path import commonprefix
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import Shift
from stacker.capture.sequence import CaptureError
from stacker.colour.exposures import TRUSTED_SHARE, Ratio, join, levelled, measure_ratio, trust
from stacker.colour.plane_set import Plane, moved_plane, register
from stacker.joining.part import Part
from stacker.joining.turning import turned_remark
from stacker.joining.writing import JoinedRun, part_record, write_joined
from stacker.settings import Settings
from stacker.sharpening import compressed, tone_for_showing

Real = NDArray[np.float32]
_RATIO_OFF = 0.1
"""Where the measured ratio is off that of the exposures by this share, cloud, gain or another target is likely."""


@dataclass(frozen=True)
class _Growing:
    """The picture so far, in the units of its shortest exposure."""

    plane: Plane
    exposure_s: float | None
    ceiling: float


def join_exposures(parts: Sequence[Part], out: Path, settings: Settings) -> JoinedRun:
    """Write one picture of runs that differ in exposure into a folder of its own in `out`.

    The shortest exposure gives the pixels and the units; each longer one is laid onto it, scaled by the light that both
    show unclipped, and weighs by its own noise where it is far from saturation. Raises CaptureError where a part does
    not fit the others, OutputError.
    """
    ordered = _by_exposure(parts)
    first = ordered[0]
    growing = _Growing(first.plane, first.circumstances.exposure_s, inf)
    records = [part_record(first, Shift(0.0, 0.0, 0.0, 1.0), "shortest", ordered)]
    remarks = []
    for part in ordered[1:]:
        growing, shift, ratios, share = _grown(growing, part)
        told = ", ".join(f"{ratio.factor:.4g}" for ratio in ratios)
        records.append(part_record(part, shift, f"{told} times the shortest", ordered))
        remarks.append(f"{part.folder.name} gives {100 * share:.0f} % of the picture")
        remarks += _ratio_remark(first, part, ratios)
    filters = dict.fromkeys(part.filter.name for part in ordered if part.filter)
    if len(filters) > 1:
        remarks.append(
            f"the filters differ, {' and '.join(filters)}: 'stillair colours' makes a colour picture of them"
        )
    turned = turned_remark(ordered, first.metrics.get("scale_arcsec_per_px"))
    plane = growing.plane
    dark = _dark_level(plane)
    shown = compressed(plane.finished, plane.mask, plane.kind, dark)
    tone = tone_for_showing(shown, plane.mask, plane.kind, settings.colour, first.target)
    # Drawn together already, the faint parts are not to be pressed down again.
    tone = replace(tone, gamma=min(tone.gamma, 1.0))
    metrics: dict[str, Any] = {
        "colour_gains": None if tone.balance is None else tone.balance.over_green,
        "parts": records,
        "notes": {"remarks": "; ".join([*remarks, *([turned] if turned else [])])},
    }
    shared = commonprefix([part.folder.name for part in ordered]).strip("-_ .")
    name = f"{shared or first.target or first.folder.name}_{len(ordered)}_exposures"
    return write_joined(out / name, plane, tone.apply(shown), ordered, metrics, settings)


def _by_exposure(parts: Sequence[Part]) -> list[Part]:
    """Return the parts, shortest exposure first. Raises CaptureError where they do not make a set."""
    if len(parts) < 2:
        raise CaptureError(parts[0].folder, "is the only exposure", "name two captures of one target")
    for part in parts[1:]:
        if part.plane.image.ndim != parts[0].plane.image.ndim:
            raise CaptureError(part.folder, f"is not in the colours of {parts[0].folder.name}", "join alike captures")
        if part.plane.kind != parts[0].plane.kind:
            raise CaptureError(part.folder, f"is no {parts[0].plane.kind} as {parts[0].folder.name}", "use --target")
    exposures = [part.circumstances.exposure_s for part in parts]
    if all(exposure is not None for exposure in exposures) and len(set(exposures)) == len(parts):
        return sorted(parts, key=lambda part: part.circumstances.exposure_s or 0.0)
    # Without exposures, what is brighter was exposed for longer.
    return sorted(parts, key=lambda part: float(np.median(part.plane.grey[part.plane.mask])))


def _grown(growing: _Growing, part: Part) -> tuple[_Growing, Shift, list[Ratio], float]:
    """Return the picture with one longer exposure joined to it, where that stood, its ratios and its share."""
    plane, saturation = growing.plane, _saturation(part)
    ceiling = TRUSTED_SHARE * saturation
    expected = _expected_ratio(growing, part)
    shift = register(part.plane, plane, ceiling, ceiling / expected if expected else inf)
    if not isfinite(shift.error_px):
        raise CaptureError(part.folder, "cannot be laid onto the shorter exposure", "is it the same target?")
    long = moved_plane(part.plane, shift, (plane.mask.shape[0], plane.mask.shape[1]))
    trusted = trust(long.image, saturation) * (long.coverage.reshape(*long.mask.shape, -1).min(2) > 0)
    try:
        ratios = [
            measure_ratio(*pair, trusted, _noises(*variances, trusted))
            for pair, variances in zip(
                _channels(plane.image, long.image), _channels(plane.variance, long.variance), strict=True
            )
        ]
    except ValueError as error:
        raise CaptureError(part.folder, str(error), "record an exposure between the two") from error
    image, variance, share = join((plane.image, plane.variance), (long.image, long.variance), trusted, ratios)
    # Sharpening leaves each its own level of the sky.
    finished_ratios = [
        levelled(ratio, *pair, trusted)
        for ratio, pair in zip(ratios, _channels(plane.finished, long.finished), strict=True)
    ]
    finished = join((plane.finished, plane.variance), (long.finished, long.variance), trusted, finished_ratios)[0]
    coverage = plane.coverage + long.coverage * (share if share.ndim == plane.coverage.ndim else share[..., None])
    joined = replace(plane, image=image, variance=variance, coverage=coverage, finished=finished)
    return replace(growing, plane=joined), shift, ratios, float(share.mean())


def _saturation(part: Part) -> float:
    """Return where a stack's pixels clip: where its camera does, or, unknown, where a flat top shows."""
    if isfinite(part.saturation_adu):
        return part.saturation_adu
    top = float(part.plane.image.max())
    flat = (part.plane.image > 0.98 * top).mean()
    return top if flat > 1e-3 else inf


def _expected_ratio(growing: _Growing, part: Part) -> float | None:
    """Return the ratio that the exposures tell, else that of the faint half of the target."""
    exposure = part.circumstances.exposure_s
    gains = part.circumstances.camera.gain_e_per_adu
    if exposure and growing.exposure_s and gains is None:
        return exposure / growing.exposure_s
    here, there = (float(np.ptp(plane.grey)) for plane in (part.plane, growing.plane))
    return max(here / there, 1.0) if there > 0 else None


def _ratio_remark(first: Part, part: Part, ratios: list[Ratio]) -> list[str]:
    """Return in words where the light does not grow as the exposure does."""
    exposures = first.circumstances.exposure_s, part.circumstances.exposure_s
    if exposures[0] is None or exposures[1] is None:
        return []
    gains = [other.circumstances.camera.gain_e_per_adu or 1.0 for other in (first, part)]
    expected = exposures[1] / exposures[0] * gains[0] / gains[1]
    factor = ratios[len(ratios) // 2].factor
    if abs(factor / expected - 1) < _RATIO_OFF:
        return []
    return [f"it is {factor:.3g} times as bright where exposure and gain tell {expected:.3g}: cloud, or another gain"]


def _channels(short: Real, long: Real) -> list[tuple[Real, Real]]:
    if short.ndim == 2:
        return [(short, long)]
    return [tuple(np.ascontiguousarray(image[..., k]) for image in (short, long)) for k in range(3)]  # type: ignore[misc]


def _noises(short_variance: Real, long_variance: Real, trusted: Real) -> tuple[float, float]:
    """Return the usual noise of a pixel of each where the long exposure counts in full."""
    where = trusted > 0.99
    if not where.any():
        return 0.0, 0.0
    return float(np.sqrt(np.median(short_variance[where]))), float(np.sqrt(np.median(long_variance[where])))


def _dark_level(plane: Plane) -> float:
    """Return what counts as faint: some noise of the picture's darkest part."""
    faint = plane.variance <= np.percentile(plane.variance, 25)
    return 10.0 * float(np.sqrt(np.median(plane.variance[faint])))
