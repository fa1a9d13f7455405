"""Verdicts: which frames must not be used, and why, from what the first pass noted of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

_NEAR_COPY = 0.3
"""Two frames are copies when they differ by less than this share of what their noise alone must do."""
_CLOUDED = 0.35
_MOST_NOT_FINITE = 0.01


@dataclass(frozen=True)
class Notes:
    """The first pass's notes of all frames, a column each, in frame order."""

    readable: NDArray[np.bool_]
    blank: NDArray[np.bool_]
    copied: NDArray[np.bool_]
    not_finite: NDArray[np.float64]
    quality: NDArray[np.float64]
    significance: NDArray[np.float64]
    brightness: NDArray[np.float64]
    misfit: NDArray[np.float64]
    local_misfit: NDArray[np.float64]
    row_jump: NDArray[np.float64]
    roughness: NDArray[np.float64]
    covered: NDArray[np.float64]
    clipped: NDArray[np.float64]


def difference(sample: NDArray[Any] | None, before: NDArray[Any] | None) -> float:
    """Return the mean absolute difference of two frames' samples in ADU; nan where there is nothing to compare."""
    if sample is None or before is None or sample.shape != before.shape:
        return float("nan")
    channels = 1 if sample.ndim == 2 else sample.shape[2]
    return float(np.mean(cv2.mean(cv2.absdiff(sample, before))[:channels]))


def find_copies(differences: NDArray[np.float64], noise_adu: float) -> NDArray[np.bool_]:
    """Return which frames are the frame before once more.

    Independent noise of standard deviation s makes two frames differ by 2 s / sqrt(pi) in the mean; a frame
    delivered twice, even through a lossy coder, stays far below that, and far below what is usual in the capture.
    """
    known = differences[np.isfinite(differences)]
    usual = float(np.median(known)) if known.size else 0.0
    return np.asarray(differences <= _NEAR_COPY * min(2 / np.sqrt(np.pi) * noise_adu, usual))


def judge(notes: Notes, kind: str) -> tuple[str, ...]:
    """Return a reason for every frame; empty = usable. `kind` is disc or surface."""
    reason = np.full(len(notes.readable), "", dtype=object)
    tests = (
        ("unreadable", ~notes.readable),
        ("not finite", notes.not_finite > _MOST_NOT_FINITE),
        ("blank", notes.blank),
        ("duplicate", notes.copied),
    )
    for word, found in tests:
        reason[found & (reason == "")] = word
    for word, test in (("clipped", _clipped), ("out of field", _out_of_field), ("torn", _torn), ("clouded", _clouded)):
        open_ = reason == ""
        reason[test(notes, open_, kind) & open_] = word
    return tuple(str(word) for word in reason)


def _clipped(notes: Notes, among: NDArray[np.bool_], kind: str) -> NDArray[np.bool_]:
    """Return frames far more clipped than the capture is as a rule: a capture exposed too long stays usable.

    A disc that is white from limb to limb as a rule was exposed for what is faint beside it.
    """
    usual = float(np.median(notes.clipped[among])) if among.any() else 0.0
    for_the_faint = kind == "disc" and usual > 0.95
    return np.asarray(notes.clipped > max(0.1, 3 * usual)) | ((notes.clipped > 0.95) & (not for_the_faint))


def _out_of_field(notes: Notes, among: NDArray[np.bool_], kind: str) -> NDArray[np.bool_]:
    if not among.any():
        return np.zeros(among.shape, dtype=bool)
    lost = ~(notes.quality >= 0.5 * float(np.median(notes.quality[among]))) | ~np.isfinite(notes.brightness)
    if kind == "surface":
        lost |= (notes.significance < 0.5 * float(np.median(notes.significance[among]))) | (notes.covered < 0.3)
    return np.asarray(lost)


def _torn(notes: Notes, among: NDArray[np.bool_], kind: str) -> NDArray[np.bool_]:
    return (
        outlying(notes.misfit, among, 8, 2.0)
        | outlying(notes.local_misfit, among, 8, 2.0)
        | outlying(notes.row_jump, among, 8, 5.0)
        | outlying(notes.roughness, among, 8, 1.5)
    )


def outlying(
    values: NDArray[np.float64], among: NDArray[np.bool_], deviations: float, times: float
) -> NDArray[np.bool_]:
    """Return values far above the rest: by so many robust standard deviations and by so many times the median."""
    rest = values[among & np.isfinite(values)]
    if rest.size < 5:
        return np.zeros(values.shape, dtype=bool)
    median = float(np.median(rest))
    spread = 1.4826 * float(np.median(np.abs(rest - median)))
    return np.asarray(values > max(median + deviations * spread, times * median))


def _clouded(notes: Notes, among: NDArray[np.bool_], kind: str) -> NDArray[np.bool_]:
    """Return frames much darker than their neighbours: thin cloud stays usable."""
    if not among.any():
        return np.zeros(among.shape, dtype=bool)
    usual = running_median(np.where(among, notes.brightness, np.nan), 101)
    usual = np.maximum(usual, 0.5 * float(np.nanmedian(notes.brightness[among])))
    return np.asarray(notes.brightness < _CLOUDED * usual)


def running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Return the median of the finite values within half a width on both sides; steps of a tenth of the width."""
    step, half = max(1, width // 10), width // 2
    centres = np.arange(0, len(values), step)
    medians = []
    for centre in centres:
        near = values[max(0, centre - half) : centre + half + 1]
        near = near[np.isfinite(near)]
        medians.append(np.median(near) if near.size else np.nan)
    known = np.isfinite(medians)
    if not known.any():
        return np.full(values.shape, np.nan)
    return np.asarray(np.interp(np.arange(len(values)), centres[known], np.array(medians)[known]))
