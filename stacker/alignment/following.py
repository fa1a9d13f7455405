"""Follow one frame: the displacement field that brings it onto its class's template, by Gauss-Newton steps."""

from __future__ import annotations

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from stacker.alignment.level import Level, seen
from stacker.alignment.prior import Modes
from stacker.alignment.template import Template

Array = NDArray[np.float32]
CORRELATED_NOISE = 4.0
"""The residual is not white: its pixels count as this many fewer independent ones."""
LEAST_GAIN = 0.05


def follow(
    image: Array,
    level: Level,
    modes: Modes,
    template: Template,
    coefficients: NDArray[np.float64],
    shift: NDArray[np.float64],
    bounds: tuple[float, float, float, float],
    steps: int,
) -> tuple[NDArray[np.float64], float]:
    """Return the coefficients (tiles, modes) of one frame and the precision 1/variance of its whitened residual.

    `image` is the frame's cut (h, w) float32 at this level, `shift` what the whole-pixel cut left of the coarse shift.
    Minimises sum (I(x + d) - g T)^2 / s^2 + |y|^2 over the coefficients y of d, s^2 measured from the residual: the
    maximum a posteriori field (Baker & Matthews 2004, IJCV 56, 221, for template alignment, from memory).
    """
    filtered = np.asarray(
        scipy.fft.irfft2(scipy.fft.rfft2(image - image.mean()) * template.whitening, s=image.shape), np.float32
    )
    if template.patches:
        moved = level.warp(filtered, level.maps(modes, coefficients, shift), cv2.INTER_LINEAR)
        found = [patches.field(level.tile(t, moved)) for t, patches in enumerate(template.patches)]
        coefficients = coefficients + np.stack(found)
    precision = 0.0
    for _ in range(steps):
        maps = level.maps(modes, coefficients, shift)
        warped = level.warp(filtered, maps, cv2.INTER_LINEAR if level.binning > 1 else cv2.INTER_CUBIC)
        inside = seen(maps, bounds)
        weight = level.trusted if inside is None else level.trusted * inside
        weighted = template.image * weight
        own = float(np.vdot(weighted, template.image)) + 1e-20
        gain = max(float(np.vdot(weighted, warped)) / own, LEAST_GAIN)
        error = (warped - gain * template.image) * weight
        variance = float(np.vdot(error, error)) / max(float(weight.sum()), 1.0)
        precision = gain**2 / (variance + 1e-20) / CORRELATED_NOISE
        along_row, along_column = error * template.along_row, error * template.along_column
        coefficients = np.stack(
            [
                normal.solve(
                    y,
                    modes.project(level.grid.adjoint(level.tile(t, along_row), level.tile(t, along_column))) / gain,
                    precision,
                )
                for t, (normal, y) in enumerate(zip(template.tiles, coefficients, strict=True))
            ]
        )
    return coefficients, precision
