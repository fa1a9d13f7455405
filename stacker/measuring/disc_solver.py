"""Moving a model disc until it agrees with the picture around its limb: damped Gauss-Newton steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.disc_model import DiscView, DrawnDisc, Place, beside_rings, on_disc

Real = NDArray[np.float64]

PARAMETERS = ("y", "x", "radius", "limb darkening", "blur", "wing", "pole")
_WIDE = 0.3
"""Depth of the band inside the limb, in radii, on a disc without much of a picture: it pins the limb darkening."""
_NARROW = (0.1, 0.3)
"""Its bounds where the picture on the disc would be taken for limb darkening."""
_WAVES = {False: 6, True: 10}
"""Waves around the limb in which the brightness may vary, wide and narrow."""
_ROUNDS = 40
_LEAST_PIXELS = 60
_DARKENING = (0.35, 1.3)
_USUAL_DARKENING, _DARKENING_SPREAD = 0.85, 0.15
"""Mars is near 0.7, clouds near 0.9 to 1 (common practice, no source): assumed where the picture is mute."""
_BLUR_PX = (0.3, 20.0)


@dataclass
class Solution:
    """The best brightness for one place of the disc, and how the place should move."""

    place: Place
    cost: float
    """Weighted mean square residual, and what the usual limb darkening adds."""
    misfit: float
    """Residual rms over the disc's level."""
    normal: Real
    gradient: Real
    covariance: Real
    correlation: float
    """How much more sums of residuals vary than if they were white noise: 1 where only noise is left."""

    def step(self, damping: float) -> Real:
        """Return the step (7,), or (6,) where the pole is given."""
        damped = self.normal + damping * np.diag(np.diag(self.normal))
        return np.asarray(np.linalg.solve(damped, self.gradient))


def settle(
    picture: Real, good: NDArray[np.bool_], view: DiscView, start: Place, free: bool, narrow: bool = False
) -> Solution | None:
    """Return the solution that a start leads to; None where the disc is lost.

    The pole moves too where it is `free`; `narrow` looks at the very limb only.
    """
    best: Solution | None = None
    place, damping = start, 1e-2
    for _ in range(_ROUNDS):
        solution = _solve(_Band(picture, good, view, place, narrow), free)
        if solution is None:
            return best
        if best is not None and solution.cost > best.cost * (1.0 + 1e-9):
            damping *= 6.0
            if damping > 1e3:
                break
        else:
            gain = 1.0 if best is None else 1.0 - solution.cost / best.cost
            best, damping = solution, max(damping / 4.0, 1e-6)
            if gain < 1e-4 and float(np.abs(solution.step(damping)[:3]).max()) < 2e-3:
                break
        place = _moved(best.place, best.step(damping), free)
    return best


def _moved(place: Place, step: Real, free: bool) -> Place:
    """Return the place after a step, which is kept within reason."""
    limit = 0.15 * place.radius_px
    y, x, radius = np.clip(step[:3], -limit, limit)
    return Place(
        place.y + float(y),
        place.x + float(x),
        place.radius_px + float(radius),
        place.pole_angle_deg + (float(np.clip(np.rad2deg(step[6]), -20, 20)) if free else 0.0),
        float(np.clip(place.limb_darkening + np.clip(step[3], -0.2, 0.2), *_DARKENING)),
        float(np.clip(place.blur_px + np.clip(step[4], -0.5 * place.blur_px, place.blur_px), *_BLUR_PX)),
        float(np.clip(place.wing_px + np.clip(step[5], -0.5, 0.5), 0.0, 0.1 * place.radius_px)),
    )


class _Band:
    """The pixels around the limb of a disc at one place, and the disc drawn there."""

    def __init__(self, picture: Real, good: NDArray[np.bool_], view: DiscView, place: Place, narrow: bool) -> None:
        self.place = place
        reach = 1.0 + (4.0 * place.blur_px + 4.0 * place.wing_px + 3.0) / place.radius_px
        depth = _WIDE
        if narrow:
            depth = float(np.clip(0.07 + (place.blur_px + place.wing_px) / place.radius_px, *_NARROW))
        rows = _window(place.y, reach * place.radius_px, picture.shape[0])
        columns = _window(place.x, reach * place.radius_px, picture.shape[1])
        down = (np.arange(*rows) - place.y)[:, None] / place.radius_px
        right = (np.arange(*columns) - place.x)[None, :] / place.radius_px
        x, y = on_disc(view, place.pole_angle_deg, np.asarray(down), np.asarray(right))
        outline = np.hypot(x, y / view.axis_ratio)
        inside = good[slice(*rows), slice(*columns)] & (outline > 1.0 - depth) & (outline < reach)
        self.pixels = inside & beside_rings(view, x, y)
        self.data = picture[slice(*rows), slice(*columns)][self.pixels]
        self.down, self.right = (np.broadcast_to(part, inside.shape)[self.pixels] for part in (down, right))
        angle = np.arctan2(y, x)[self.pixels]
        waves = int(np.clip(place.radius_px / 4.0, 2, _WAVES[narrow]))
        turns = [wave(order * angle) for order in range(1, waves + 1) for wave in (np.cos, np.sin)]
        self.waves = np.stack([np.ones_like(angle), *turns])
        self.disc = DrawnDisc(view, place, rows, columns)
        more = Place(**{**vars(place), "limb_darkening": place.limb_darkening + 0.05})
        self.darker = DrawnDisc(view, more, rows, columns)


def _solve(band: _Band, free: bool) -> Solution | None:
    """Fit brightness and sky at one place, and return how the place should move."""
    if len(band.data) < _LEAST_PIXELS:
        return None
    model = band.disc.picture()
    linear = np.concatenate([band.waves * model[band.pixels], np.ones((1, len(band.data)))])
    weight = np.ones_like(band.data)
    for _ in range(3):
        amplitudes = _least_squares(linear, band.data, weight)
        residual = band.data - amplitudes @ linear
        spread = 1.4826 * float(np.median(np.abs(residual))) + 1e-12 * float(np.abs(band.data).max()) + 1e-300
        weight = np.minimum(1.0, 2.5 * spread / np.maximum(np.abs(residual), 1e-300))
    level = amplitudes[:-1] @ band.waves
    moves = _moves(band, model, free) * level
    return _solution(band, moves, linear, residual, weight, float(np.median(level)))


def _solution(band: _Band, moves: Real, linear: Real, residual: Real, weight: Real, level: float) -> Solution:
    count = len(moves)
    together = np.concatenate([moves, linear])
    full = (together * weight) @ together.T
    full[np.diag_indices_from(full)] *= 1.0 + 1e-9
    against = np.linalg.solve(full[count:, count:], np.stack([*full[count:, :count].T, (linear * weight) @ residual]).T)
    normal = full[:count, :count] - full[:count, count:] @ against[:, :count]
    gradient = (moves * weight) @ residual - full[:count, count:] @ against[:, count]
    mean_square = float((weight * residual**2).sum() / weight.sum())
    correlation = _correlation(band, residual)
    variance = mean_square * correlation
    off = _USUAL_DARKENING - band.place.limb_darkening
    normal[3, 3] += variance / _DARKENING_SPREAD**2
    gradient[3] += variance * off / _DARKENING_SPREAD**2
    cost = mean_square + variance * (off / _DARKENING_SPREAD) ** 2 / float(weight.sum())
    covariance = np.linalg.pinv(normal, hermitian=True) * variance
    misfit = float(np.sqrt(mean_square)) / max(level, 1e-30)
    return Solution(band.place, cost, misfit, normal, gradient, covariance, correlation)


def _moves(band: _Band, model: Real, free: bool) -> Real:
    """Return what moving the disc does to the model, (parameters, pixels); per pixel, or per radian for the pole."""
    pixels, place = band.pixels, band.place
    by_row, by_column = (part[pixels] for part in band.disc.slopes())
    blurred, winged = (part[pixels] for part in band.disc.softer())
    darker = (band.darker.picture() - model)[pixels] / 0.05
    rows = [-by_row, -by_column, -(band.down * by_row + band.right * by_column), darker, blurred, winged]
    if free:
        # Counter-clockwise: a point to the right of the centre moves up.
        rows.append(place.radius_px * (band.right * by_row - band.down * by_column))
    return np.stack(rows)


def _least_squares(rows: Real, data: Real, weight: Real) -> Real:
    normal = (rows * weight) @ rows.T
    normal[np.diag_indices_from(normal)] *= 1.0 + 1e-9
    return np.asarray(np.linalg.solve(normal, (rows * weight) @ data))


def _correlation(band: _Band, residual: Real) -> float:
    """Return by how much neighbours' likeness raises the variance of sums of residuals: 1 for white noise."""
    plane = np.zeros(band.pixels.shape)
    plane[band.pixels] = residual
    total = float((residual**2).sum())
    if total <= 0:
        return 1.0
    alike = 1.0
    for dy in range(4):
        for dx in range(-3, 4):
            if dy > 0 or dx > 0:
                alike += 2.0 * float((plane * np.roll(plane, (dy, dx), (0, 1))).sum()) / total
    return max(1.0, alike)


def _window(centre: float, reach: float, size: int) -> tuple[int, int]:
    first = int(np.clip(np.floor(centre - reach), 0, size - 1))
    return first, int(np.clip(np.ceil(centre + reach) + 1, first + 1, size))
