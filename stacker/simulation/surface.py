"""An invented cratered surface near its terminator: relief, low sun, cast shadows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.simulation.texture import fractal_noise

Real = NDArray[np.float32]

_FINE = 2
_BAND_ROWS = 256


@dataclass(frozen=True)
class CrateredSurface:
    """An airless plain and highlands; the sun stands low on one side and sets towards the other."""

    field_km: float = 260.0
    """Width of the frame's longer side on the surface."""
    radius_km: float = 1400.0
    """Of the body: the sun sinks over the curved ground."""
    sun_elevation_deg: float = 12.0
    """In the middle of the frame."""
    sun_angle_deg: float = 20.0
    """Direction of the light's travel, from +x (right) towards +y (down)."""
    crater_share: float = 0.55
    """Part of the ground that craters above 2 px cover."""
    size_exponent: float = 2.0
    """Craters larger than D number as D^-exponent (lunar production: about 2 at tens of kilometres)."""
    largest_km: float = 55.0
    plains_share: float = 0.4
    """Part of the ground flooded by dark, smooth plains."""
    rilles: int = 2


def render_surface(
    rng: np.random.Generator, surface: CrateredSurface, shape: tuple[int, int], km_per_px: float
) -> Real:
    """Return the lit ground (H, W) in 0..1: relief drawn along the light, then turned and averaged onto pixels."""
    step = km_per_px / _FINE
    side = int(np.ceil(np.hypot(*shape) * _FINE)) + 8
    height_km, plains = _relief(rng, surface, side, step)
    albedo = 0.05 * fractal_noise(rng, (side, side), 2.4, longest=0.2)
    albedo += 0.62 - 0.30 * plains
    del plains
    lit = np.empty_like(albedo)
    for top in range(0, side, _BAND_ROWS):
        # The light runs along the rows, so bands are independent but for the slope across, which needs a neighbour.
        above, below = max(top - 1, 0), min(top + _BAND_ROWS + 1, side)
        band = _illuminate(height_km[above:below], albedo[above:below], surface, step)
        lit[top : top + _BAND_ROWS] = band[top - above :][:_BAND_ROWS]
    return _turn(lit, shape, surface.sun_angle_deg)


def crater_profile(distance: Real, depth: float, rim: float, floor: float) -> Real:
    """Return the height over distance from the centre in crater radii: bowl or flat floor, rim, r^-3 ejecta."""
    wall = np.clip((distance - floor) / (1.0 - floor), 0.0, 1.0)
    inside = -depth + (depth + rim) * wall**1.7
    outside = rim * np.maximum(distance, 1.0) ** -3 * np.clip((3.0 - distance) / 1.5, 0.0, 1.0)
    return np.asarray(np.where(distance < 1.0, inside, outside), np.float32)


def _relief(rng: np.random.Generator, surface: CrateredSurface, side: int, step_km: float) -> tuple[Real, Real]:
    """Return height in km and the cover of the plains (0..1), both (side, side)."""
    span = side * step_km
    hills = fractal_noise(rng, (side, side), 4.0, longest=min(1.0, 120.0 / span))
    basin = fractal_noise(rng, (side, side), 5.0, longest=min(1.0, 220.0 / span))
    level = float(np.quantile(basin, surface.plains_share)) if surface.plains_share > 0 else -np.inf
    plains = np.asarray(1.0 / (1.0 + np.exp((basin - level) / 0.06)), np.float32)
    ground = hills * 0.5
    for row, column, radius, age in _draw_craters(rng, surface, side, step_km, old=True):
        _dig(rng, ground, row, column, radius, age, step_km)
    ground = ground * (1 - 0.93 * plains) - 0.9 * plains
    ground += 0.03 * fractal_noise(rng, (side, side), 3.3, longest=min(1.0, 30.0 / span))
    _add_ridges(rng, ground, plains, span)
    for _ in range(surface.rilles):
        _cut_rille(rng, ground, step_km)
    for row, column, radius, age in _draw_craters(rng, surface, side, step_km, old=False):
        _dig(rng, ground, row, column, radius, age, step_km)
    return np.asarray(ground, np.float32), plains


def _draw_craters(
    rng: np.random.Generator, surface: CrateredSurface, side: int, step_km: float, old: bool
) -> list[tuple[float, float, float, float]]:
    """Return (row, column, radius in px, freshness), largest first; old ones before the plains flooded."""
    smallest = 2.0 * _FINE * step_km
    largest = surface.largest_km * (1.0 if old else 0.75)
    share = surface.crater_share * (0.7 if old else 0.3)
    power = surface.size_exponent
    mean_area = _mean_area(power, smallest, largest)
    count = int(share * (side * step_km) ** 2 / mean_area)
    u = rng.random(count)
    low, high = smallest**-power, largest**-power
    diameters = np.sort((low - u * (low - high)) ** (-1.0 / power))[::-1]
    rows, columns = rng.uniform(-0.03 * side, 1.03 * side, (2, count))
    fresh = rng.uniform(0.15, 0.75, count) if old else 1.0 - 0.6 * rng.random(count) ** 0.7
    return list(zip(rows, columns, diameters / 2 / step_km, fresh, strict=True))


def _mean_area(power: float, smallest: float, largest: float) -> float:
    """Return the mean area of craters whose number falls as D^-power between two diameters."""
    diameters = np.geomspace(smallest, largest, 400)
    density = power * diameters ** (-power - 1.0)
    weight = np.gradient(diameters) * density
    return float((weight * np.pi / 4 * diameters**2).sum() / weight.sum())


def _dig(
    rng: np.random.Generator, ground: Real, row: float, column: float, radius: float, fresh: float, step_km: float
) -> None:
    reach = int(3 * radius) + 2
    r0, r1 = max(0, int(row) - reach), min(ground.shape[0], int(row) + reach + 1)
    c0, c1 = max(0, int(column) - reach), min(ground.shape[1], int(column) + reach + 1)
    if r0 >= r1 or c0 >= c1:
        return
    dy = np.arange(r0, r1, dtype=np.float32)[:, None] - np.float32(row)
    dx = np.arange(c0, c1, dtype=np.float32)[None, :] - np.float32(column)
    distance = np.hypot(dy, dx) / np.float32(radius)
    diameter_km = 2 * radius * step_km
    angle = np.arctan2(dy, dx)
    if radius > 6:
        wobble = sum(rng.normal(0, 0.05 / k) * np.cos(k * angle + rng.uniform(0, 6.3)) for k in (2, 3, 5, 8))
        distance = distance * (1 + wobble)
    # Depth to diameter 1 : 5 for simple craters, growing slower above some 15 km (Pike 1977 gives 0.2 D and D^0.3).
    depth = 0.2 * min(diameter_km, 12.0) * max(1.0, diameter_km / 12.0) ** 0.3 * fresh**1.5
    floor = float(np.clip((diameter_km - 12.0) / 45.0, 0.0, 0.62)) + 0.15 * (1 - fresh)
    shape = crater_profile(distance.astype(np.float32), depth, 0.22 * depth, floor)
    if diameter_km > 18.0:
        terrace = (
            0.025 * depth * np.sin(distance * 26.0 + 2.0 * np.cos(3 * angle)) * ((distance > floor) & (distance < 1.0))
        )
        peak = 0.42 * depth * np.exp(-((distance / 0.13) ** 2)) * (fresh > 0.5)
        shape = shape + (terrace + peak).astype(np.float32)
    # Ground inside a new crater loses part of its former relief.
    patch = ground[r0:r1, c0:c1]
    inside = np.clip((1.05 - distance) / 0.15, 0.0, 1.0) * np.float32(0.75 * fresh)
    patch *= 1 - inside
    patch += inside * np.float32(np.median(patch)) + shape


def _add_ridges(rng: np.random.Generator, ground: Real, plains: Real, span_km: float) -> None:
    """Raise low wrinkles on the plains where a smooth noise changes sign."""
    noise = fractal_noise(rng, (len(ground), len(ground)), 4.2, longest=min(1.0, 90.0 / span_km))
    ground += 0.09 * plains * np.exp(-((noise / 0.07) ** 2)).astype(np.float32)


def _cut_rille(rng: np.random.Generator, ground: Real, step_km: float) -> None:
    """Cut a winding channel, 1.5 to 3 km wide."""
    side = len(ground)
    count = 200
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.16, count)) * 0.9
    length = rng.uniform(0.4, 0.8) * side / count
    rows = rng.uniform(0.25, 0.75) * side + np.cumsum(np.sin(heading)) * length
    columns = rng.uniform(0.25, 0.75) * side + np.cumsum(np.cos(heading)) * length
    line = np.stack([columns, rows], -1).round().astype(np.int32)
    mask = np.zeros((side, side), np.uint8)
    cv2.polylines(mask, [line.reshape(-1, 1, 2)], False, 255, 1)
    away_km = cv2.distanceTransform(255 - mask, cv2.DIST_L2, 5) * step_km
    half = rng.uniform(0.75, 1.5)
    ground -= (0.32 * np.exp(-((away_km / half) ** 4))).astype(np.float32)


def _illuminate(height_km: Real, albedo: Real, surface: CrateredSurface, step_km: float) -> Real:
    """Return the brightness of ground lit from the left: half Lommel-Seeliger, half Lambert, with cast shadows."""
    side = height_km.shape[1]
    along = ((np.arange(side, dtype=np.float32) - side / 2) * np.float32(step_km))[None, :]
    curved = height_km - along**2 / np.float32(2 * surface.radius_km)
    rise = float(np.tan(np.deg2rad(surface.sun_elevation_deg)))
    slope_y, slope_x = np.gradient(curved, step_km)
    length = np.sqrt(1 + slope_x**2 + slope_y**2)
    sun = (rise - slope_x) / length / np.float32(np.hypot(1.0, rise))
    # Ray marching along the light: a point is dark where ground nearer the sun tops its ray. A soft step of
    # some metres stands for the sun's disc.
    ray = curved + along * np.float32(rise)
    shade = np.maximum.accumulate(ray, axis=1) - ray
    visible = np.clip(1.0 - shade / np.float32(0.5 * step_km * rise + 0.02), 0.0, 1.0)
    mu0 = np.clip(sun, 0.0, 1.0)
    mu = 1.0 / length
    return np.asarray(albedo * visible * (0.55 * 2 * mu0 / (mu0 + mu + 1e-3) + 0.9 * mu0) + 0.002, np.float32)


def _turn(picture: Real, shape: tuple[int, int], angle_deg: float) -> Real:
    """Return the picture turned about its middle and averaged onto pixels."""
    soft = cv2.GaussianBlur(picture, (0, 0), 0.45 * _FINE)
    angle = np.deg2rad(angle_deg)
    cos, sin = _FINE * np.cos(angle), _FINE * np.sin(angle)
    middle = (len(picture) - 1) / 2
    row, column = (shape[0] - 1) / 2, (shape[1] - 1) / 2
    matrix = np.array(
        [[cos, sin, middle - cos * column - sin * row], [-sin, cos, middle + sin * column - cos * row]], np.float64
    )
    turned = cv2.warpAffine(soft, matrix, (shape[1], shape[0]), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
    return np.asarray(np.clip(turned, 0.0, None), np.float32)
