"""From masters to what is done to every frame: an offset, a factor, and the pixels that cannot be trusted."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.calibration.masters import Master
from stacker.calibration.matching import SAME_EXPOSURE, dark_ratio
from stacker.calibration.smoothing import quieten
from stacker.capture import Capture, CaptureError
from stacker.counted import counted

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
_LEAST_RESPONSE, _MOST_RESPONSE = 0.1, 4.0
_HALF_BLIND = 0.4
"""A pixel this much less or more sensitive than its surroundings is left out."""
_SPENT = 0.5
"""A pixel whose dark signal takes this share of the full scale is left out."""
_CLEARLY_LIT = 10.0
"""Standard deviations by which a master flat's pixels stand above its dark: less adds more noise than it cures."""
_OVEREXPOSED = 0.005
"""Of a flat's pixels; lone hot ones are fewer."""


@dataclass(frozen=True)
class Corrections:
    """frame -> (frame - offset) * factor; shaped as the frames."""

    offset: Map | None
    factor: Map | None
    """1 over the normalised flat: its mean over each colour's sound pixels is 1."""
    offset_variance: Map | None
    """Of `offset`, ADU^2; None where not known or there is no offset."""
    flat_variance: Map | None
    """Of the normalised flat, relative; likewise."""
    bad: Mask
    """(H, W) pixels with next to no range or response left."""
    notes: tuple[str, ...] = ()

    @classmethod
    def none(cls, shape: tuple[int, ...]) -> Corrections:
        """Return what leaves frames of `shape` as they are."""
        return cls(None, None, None, None, np.zeros(shape[:2], bool))


def plan_corrections(
    capture: Capture, dark: Master | None, flat: Master | None, bias: Master | None, flat_offset: Master | None = None
) -> Corrections:
    """Return what the masters, each of which matches the capture, do to its frames.

    `flat_offset` is the flats' own dark or bias; without it one of the capture's is taken off the flat.
    Raises CaptureError where the exposures of dark and capture do not allow it, or the flat is over- or underexposed.
    """
    step = 2 if capture.mosaic else 1
    bad = np.zeros(capture.shape[:2], bool)
    offset, offset_variance, notes = _offset(capture, dark, bias)
    if offset is not None:
        offset, offset_variance = quieten(offset, offset_variance, step)
        bad |= _any_plane(_spent(offset, capture.full_scale))
    factor = flat_variance = None
    if flat is not None:
        pedestal = offset_of_flat(flat, dark, bias) if flat_offset is None else flat_offset
        response, variance = _response(flat, pedestal, step)
        response, flat_variance = quieten(response, variance, step)
        bad |= _any_plane(_blind(response, step))
        factor = np.asarray(1 / np.clip(response, _LEAST_RESPONSE, _MOST_RESPONSE), np.float32)
        if pedestal is None:
            notes += ("no dark or bias for the flat: an offset in it leaves its correction too weak",)
    if bad.any():
        notes += (f"mended: {counted(int(bad.sum()), 'pixel')} without range or response",)
    return Corrections(offset, factor, offset_variance, flat_variance, bad, notes)


def _offset(
    capture: Capture, dark: Master | None, bias: Master | None
) -> tuple[Map | None, Map | None, tuple[str, ...]]:
    if dark is None:
        return (None, None, ()) if bias is None else (bias.mean, bias.variance, ())
    ratio, notes = dark_ratio(capture, dark, bias)
    if ratio == 1 or bias is None:
        return dark.mean, dark.variance, notes
    scaled = bias.mean + np.float32(ratio) * (dark.mean - bias.mean)
    if dark.variance is None or bias.variance is None:
        return scaled, None, notes
    return scaled, np.float32(ratio**2) * dark.variance + np.float32((1 - ratio) ** 2) * bias.variance, notes


def offset_of_flat(flat: Master, dark: Master | None, bias: Master | None) -> Master | None:
    """Return what is taken off the flat: the dark where the exposures are known to agree, else the bias."""
    if dark is None or bias is None:
        return dark or bias
    ours, theirs = flat.circumstances.exposure_s, dark.circumstances.exposure_s
    return bias if ours is None or theirs is None or abs(theirs / ours - 1) > SAME_EXPOSURE else dark


def _response(flat: Master, pedestal: Master | None, step: int) -> tuple[Map, Map | None]:
    """Return the flat over its mean, colour by colour, and the variance of that."""
    if np.mean(flat.mean >= 0.98 * flat.full_scale) > _OVEREXPOSED:
        raise CaptureError(flat.path, "the flat is overexposed", "record it at a third to two thirds of full scale")
    light = flat.mean if pedestal is None else flat.mean - pedestal.mean
    variance = flat.variance
    if variance is not None and pedestal is not None and pedestal.variance is not None:
        variance = variance + pedestal.variance
    response = np.empty_like(light)
    spread = None if variance is None else np.empty_like(variance)
    for cell in _cells(light.ndim, step):
        level = _level(light[cell])
        least = 0.0 if variance is None else _CLEARLY_LIT * float(np.sqrt(np.median(variance[cell])))
        if not level > least:
            raise CaptureError(
                flat.path, "the flat is no brighter than its dark", "light it evenly and record it again"
            )
        response[cell] = light[cell] / np.float32(level)
        if spread is not None and variance is not None:
            spread[cell] = variance[cell] / np.float32(level**2)
    return response, spread


def _level(part: Map) -> float:
    """Return the mean of one colour's pixels without dead and hot ones, which would dim or brighten all others."""
    middle = float(np.median(part))
    sound = part[(part > 0.1 * middle) & (part < 4 * middle)]
    return float(sound.mean(dtype=np.float64)) if sound.size else middle


def _cells(dimensions: int, step: int) -> list[tuple[slice | int, ...]]:
    """Return the places of the pixels that are normalised together: cells of a mosaic, planes of colour, or all."""
    if dimensions == 3:
        return [np.s_[:, :, plane] for plane in range(3)]
    return [np.s_[row::step, column::step] for row in range(step) for column in range(step)]


def _spent(offset: Map, full_scale: float) -> Mask:
    if not np.isfinite(full_scale):
        return np.zeros(offset.shape, bool)
    return np.asarray(offset > float(np.median(offset)) + _SPENT * full_scale)


def _blind(response: Map, step: int) -> Mask:
    blind = np.empty(response.shape, bool)
    for row in range(step):
        for column in range(step):
            part = np.ascontiguousarray(response[row::step, column::step])
            usual = np.stack([cv2.medianBlur(p, 5) for p in cv2.split(part)], -1).reshape(part.shape)
            blind[row::step, column::step] = np.abs(part - usual) > _HALF_BLIND * np.maximum(usual, _LEAST_RESPONSE)
    return blind


def _any_plane(mask: Mask) -> Mask:
    return mask if mask.ndim == 2 else np.asarray(mask.any(axis=2))


def even_response(corrections: Corrections) -> float:
    """Return the response of the most sensitive field of some 9x9 pixels: there the corrected scale ends first."""
    if corrections.factor is None:
        return 1.0
    smooth = cv2.blur(corrections.factor, (9, 9), borderType=cv2.BORDER_REFLECT)
    return 1 / max(float(np.min(smooth)), 1e-6)
