"""Follow one frame: the displacement field that brings it onto its class's template, by Gauss-Newton steps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.level import Level
from stacker.alignment.prior import Modes
from stacker.alignment.template import Template
from stacker.interpolation import interpolate
from stacker.packed_spectrum import filtered

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
    white = filtered(image, template.whitening)
    if template.patches:
        moved = interpolate(white, level.maps(modes, coefficients, shift), "linear")
        found = [patches.field(level.tile(t, moved)) for t, patches in enumerate(template.patches)]
        coefficients = coefficients + np.stack(found)
    rows, columns = level.covered(shift, bounds)
    model = np.ascontiguousarray(template.image[rows, columns])
    own, pixels, precision = float(np.vdot(model, model)) + 1e-20, max(model.size, 1), 0.0
    error = np.zeros_like(template.image)
    kernel = "linear" if level.binning > 1 else "prefiltered"
    for _ in range(steps):
        warped = interpolate(white, level.maps(modes, coefficients, shift), kernel)[rows, columns]
        gain = max(float(np.vdot(model, np.ascontiguousarray(warped))) / own, LEAST_GAIN)
        residual = warped - gain * model
        variance = float(np.vdot(residual, residual)) / pixels
        precision = gain**2 / (variance + 1e-20) / CORRELATED_NOISE
        error[rows, columns] = residual
        slopes = error * template.along_row, error * template.along_column
        coefficients = np.stack(
            [
                normal.solve(
                    y, modes.project(level.grid.adjoint(*(level.tile(t, part) for part in slopes))) / gain, precision
                )
                for t, (normal, y) in enumerate(zip(template.tiles, coefficients, strict=True))
            ]
        )
    return coefficients, precision
