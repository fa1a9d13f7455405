"""An invented oblate planet: belts, festoons, ovals and storms on a map, seen as a Minnaert-darkened disc."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.simulation.texture import fractal_noise, stir

Real = NDArray[np.float32]

_MAP_SHAPE = (640, 1280)
_EDGE_SAMPLES = 3
_BAND_ROWS = 64

_ZONE = np.array([0.97, 0.91, 0.80], np.float32)
_BELT = np.array([0.66, 0.40, 0.22], np.float32)
_SLATE = np.array([0.34, 0.44, 0.47], np.float32)
_POLE = np.array([0.55, 0.53, 0.51], np.float32)
_BLUE = np.array([0.43, 0.48, 0.55], np.float32)
_RED = np.array([0.83, 0.40, 0.24], np.float32)
_WHITE = np.array([1.0, 0.98, 0.94], np.float32)


@dataclass(frozen=True)
class BandedPlanet:
    """A gas giant of nobody's solar system."""

    diameter_of_frame: float = 0.7
    """Equatorial diameter over the frame's shorter side."""
    flattening: float = 0.065
    latitude_deg: float = 3.0
    """Of the point below the observer."""
    longitude_deg: float = 200.0
    position_angle_deg: float = 8.0
    """Of the north pole, counter-clockwise from up."""
    phase_angle_deg: float = 6.0
    minnaert: float = 0.95
    """Exponent k of the limb darkening I = mu0^k mu^(k-1) (Minnaert 1941, ApJ 93, 403)."""
    rotation_deg: float = 0.0
    """Turn over the whole capture."""
    ring: bool = False
    ring_inner: float = 1.3
    """In equatorial radii, as the outer edge."""
    ring_outer: float = 2.1


def paint_planet_map(rng: np.random.Generator) -> Real:
    """Return an RGB map (640, 1280, 3) of albedo in 0..1, rows from north to south, columns eastward."""
    height, width = _MAP_SHAPE
    latitude = np.linspace(90.0, -90.0, height, dtype=np.float32)
    belt = _belt_profile(rng, latitude)
    ripple = fractal_noise(rng, _MAP_SHAPE, 2.6, stretch=5.0, longest=0.2)
    rows = np.arange(height, dtype=np.float32)[:, None] + ripple * (0.010 * height)
    strength = cv2.remap(
        np.repeat(belt[:, None], 2, 1), np.zeros(_MAP_SHAPE, np.float32), rows.astype(np.float32), cv2.INTER_LINEAR
    )
    threads = fractal_noise(rng, _MAP_SHAPE, 2.2, stretch=9.0, longest=0.12)
    strength = np.clip(strength + threads * (0.05 + 0.11 * strength), 0.0, 1.15)[..., None]
    picture = _ZONE * (1 - strength) + _belt_colours(rng, latitude)[:, None, :] * strength
    picture = _darken_poles(picture, latitude)
    picture, stream = _add_vortices(rng, picture, latitude, belt)
    eddies = fractal_noise(rng, _MAP_SHAPE, 4.6, stretch=1.8, longest=0.09)
    shear = np.repeat(np.cumsum(np.gradient(belt))[:, None], width, 1).astype(np.float32)
    picture = stir(picture.astype(np.float32), stream + 1.3 * eddies * (0.25 + belt[:, None]) + 2.0 * shear, 18, 1.7)
    grain = fractal_noise(rng, _MAP_SHAPE, 1.9, stretch=2.5, longest=0.04)
    picture *= (1.0 + 0.035 * grain * (0.5 + belt[:, None]))[..., None]
    return np.clip(picture, 0.02, 1.0).astype(np.float32)


def project_planet(
    albedo: Real, planet: BandedPlanet, shape: tuple[int, int], diameter_px: float, turned_deg: float = 0.0
) -> Real:
    """Return the RGB disc (H, W, 3) in the middle of a black sky, `turned_deg` after the capture's middle.

    The spheroid is projected orthographically; pixels average 3 x 3 samples, which keeps the limb smooth.
    """
    bands = [
        _project_rows(albedo, planet, shape, diameter_px, turned_deg, (top, min(top + _BAND_ROWS, shape[0])))
        for top in range(0, shape[0], _BAND_ROWS)
    ]
    return np.concatenate(bands)


def _project_rows(
    albedo: Real,
    planet: BandedPlanet,
    shape: tuple[int, int],
    diameter_px: float,
    turned_deg: float,
    rows: tuple[int, int],
) -> Real:
    """Return some rows of the disc: in bands, a large canvas needs no more memory than a small one."""
    fine = _EDGE_SAMPLES
    height, width = shape[0] * fine, shape[1] * fine
    radius = 0.5 * diameter_px * fine
    tilt = np.deg2rad(planet.position_angle_deg)
    sampled = np.arange(rows[0] * fine, rows[1] * fine, dtype=np.float32)
    down = ((sampled - (height - 1) / 2) / np.float32(radius))[:, None]
    right = ((np.arange(width, dtype=np.float32) - (width - 1) / 2) / np.float32(radius))[None, :]
    east = np.float32(np.cos(tilt)) * right - np.float32(np.sin(tilt)) * down
    north = np.float32(-np.sin(tilt)) * right - np.float32(np.cos(tilt)) * down
    picture, depth = _globe(albedo, planet, east, north, turned_deg)
    if planet.ring:
        _add_ring(picture, planet, east, north, depth)
    size = (shape[1], rows[1] - rows[0])
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def _globe(albedo: Real, planet: BandedPlanet, east: Real, north: Real, turned_deg: float) -> tuple[Real, Real]:
    """Return the lit globe (H, W, 3) and each point's height towards the observer (nan beside it)."""
    lean = np.deg2rad(planet.latitude_deg)
    sin, cos, squash = float(np.sin(lean)), float(np.cos(lean)), (1.0 - planet.flattening) ** -2
    a = cos**2 + sin**2 * squash
    half_b = sin * cos * (squash - 1.0) * north
    c = north**2 * (sin**2 + cos**2 * squash) + east**2 - 1.0
    with np.errstate(invalid="ignore"):
        depth = (-half_b + np.sqrt(half_b**2 - a * c)) / a
    x, y, z = depth * cos - north * sin, east, (depth * sin + north * cos)
    normal = np.stack([x, np.broadcast_to(y, x.shape), z * squash])
    normal /= np.sqrt((normal**2).sum(0))
    sun = np.deg2rad(planet.phase_angle_deg)
    facing = normal[0] * cos + normal[2] * sin
    sunlit = normal[0] * (cos * np.cos(sun)) - normal[1] * np.sin(sun) + normal[2] * (sin * np.cos(sun))
    lit = np.nan_to_num((sunlit > 0) * (facing > 0.02))
    shade = np.clip(sunlit, 1e-3, 1) ** planet.minnaert * np.clip(facing, 0.02, 1) ** (planet.minnaert - 1.0)
    shade = np.nan_to_num(shade, nan=0.0) * lit
    longitude = np.rad2deg(np.arctan2(y, x)) + planet.longitude_deg + turned_deg
    column = np.nan_to_num(longitude / 360.0 % 1.0 * albedo.shape[1]).astype(np.float32)
    row = np.nan_to_num((0.5 - np.arcsin(np.clip(normal[2], -1, 1)) / np.pi) * (albedo.shape[0] - 1))
    wide = cv2.copyMakeBorder(albedo, 0, 0, 0, 4, cv2.BORDER_WRAP)
    surface = cv2.remap(wide, column, row.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(surface * shade.astype(np.float32)[..., None]), np.asarray(depth, np.float32)


def _add_ring(picture: Real, planet: BandedPlanet, east: Real, north: Real, depth: Real) -> None:
    """Lay the ring over `picture`: opaque bands with gaps, hidden behind the globe."""
    lean = np.deg2rad(planet.latitude_deg if abs(planet.latitude_deg) > 2 else 2.0)
    behind = -north / np.float32(np.sin(lean))
    radius = np.hypot(behind, east)
    inside = (radius - planet.ring_inner) / (planet.ring_outer - planet.ring_inner)
    steps = np.linspace(0, 1, 9)
    opacity = np.interp(inside, steps, [0.25, 0.55, 0.9, 0.95, 0.8, 0.9, 0.6, 0.65, 0.5], 0.0, 0.0)
    opacity *= 1.0 - 0.92 * np.exp(-(((inside - 0.64) / 0.045) ** 2))
    towards = behind * np.float32(np.cos(lean))
    visible = opacity * ((np.isnan(depth)) | (towards > np.nan_to_num(depth)))
    shade = np.where((behind < 0) & (np.abs(east + 0.08 * behind) < 0.98), 0.12, 1.0)
    colour = np.array([0.70, 0.64, 0.54], np.float32)
    picture *= (1.0 - visible)[..., None].astype(np.float32)
    picture += ((visible * shade)[..., None] * colour).astype(np.float32)


def _belt_profile(rng: np.random.Generator, latitude: Real) -> Real:
    """Return the darkness (0 zone, 1 belt) of each latitude."""
    profile = np.zeros_like(latitude)
    edge = -58.0
    dark = bool(rng.random() < 0.5)
    while edge < 58.0:
        wide = float(rng.uniform(5.0, 13.0)) * (1.25 if abs(edge) < 22 else 0.8)
        if dark:
            depth = float(rng.uniform(0.75, 1.1)) * (1.0 if abs(edge) < 35 else 0.7)
            profile += depth * _smooth_box(latitude, edge, edge + wide, 0.8)
        edge, dark = edge + wide, not dark
    fine = np.interp(latitude, np.linspace(-90, 90, 61), rng.normal(0, 0.09, 61))
    finer = np.interp(latitude, np.linspace(-90, 90, 181), rng.normal(0, 0.05, 181))
    return np.clip(profile + fine + finer, 0.0, 1.0).astype(np.float32)


def _belt_colours(rng: np.random.Generator, latitude: Real) -> Real:
    """Return the colour (H, 3) of the belts by latitude, between copper and slate."""
    slate = np.interp(latitude, np.linspace(-90, 90, 15), rng.random(15))[:, None]
    slate = slate**2 * (3.0 - 2.0 * slate)
    return np.asarray(_BELT * (1 - slate) + _SLATE * slate, np.float32)


def _smooth_box(latitude: Real, low: float, high: float, softness: float) -> Real:
    rise = np.tanh((latitude - low) / softness)
    return np.asarray(0.5 * (rise - np.tanh((latitude - high) / softness)), np.float32)


def _darken_poles(picture: Real, latitude: Real) -> Real:
    grey = np.clip((np.abs(latitude) - 48.0) / 24.0, 0.0, 1.0)[:, None, None] * np.float32(0.75)
    return np.asarray(picture * (1 - grey) + _POLE * grey, np.float32)


def _add_vortices(rng: np.random.Generator, picture: Real, latitude: Real, belt: Real) -> tuple[Real, Real]:
    """Paint ovals, storms and festoons, and return the picture and the stream function that stirs around them."""
    height, width = picture.shape[:2]
    stream = np.zeros((height, width), np.float32)
    edges = latitude[1:][np.abs(np.diff(belt)) > 0.02]
    edges = edges[np.abs(edges) < 50] if len(edges) else np.array([-22.0, 18.0], np.float32)
    great = float(edges[np.argmin(np.abs(edges + 22.0))]) - 3.0
    longitude = float(rng.uniform(150, 230))
    spots = [(great, longitude, 15.0, 8.5, _BELT * np.float32(0.6), 0.55), (great, longitude, 11.0, 6.2, _RED, 0.95)]
    row = float(edges[np.argmin(np.abs(edges + 38.0))])
    spots += [(row, 40.0 + 34.0 * i + float(rng.normal(0, 6)), 4.4, 3.1, _WHITE, 0.95) for i in range(9)]
    for _ in range(26):
        colour, size = (_WHITE, 2.0) if rng.random() < 0.6 else (_BELT * np.float32(0.5), 2.4)
        where = float(rng.choice(edges) + rng.normal(0, 1.5))
        spots.append((where, float(rng.uniform(0, 360)), size * 1.5, size, colour, 0.7))
    base = float(edges[np.argmin(np.abs(edges - 7.0))])
    spots += [(base - 1.2, 24.0 * i + float(rng.normal(0, 4)), 8.0, 2.0, _BLUE, 0.8) for i in range(15)]
    for where, longitude, half_width, half_height, colour, opacity in spots:
        rows = np.flatnonzero(np.abs(latitude - where) < 3.6 * half_height)
        reach = int(3.6 * half_width / 360.0 * width) + 1
        columns = (int(longitude / 360.0 * width) + np.arange(-reach, reach + 1)) % width
        dx = (columns * (360.0 / width) - longitude + 180.0) % 360.0 - 180.0
        distance = (dx[None, :] / half_width) ** 2 + ((latitude[rows] - where)[:, None] / half_height) ** 2
        blot = opacity * np.exp(-(distance**1.6))[..., None]
        collar = 0.45 * opacity * np.exp(-(((np.sqrt(distance) - 1.45) / 0.3) ** 2))[..., None]
        here = np.ix_(rows, columns)
        patch = picture[here] * (1 - blot) + colour * blot
        picture[here] = patch * (1 - collar) + _ZONE * collar
        stream[here] += np.float32(half_height * 1.4) * np.exp(-0.5 * distance / 1.2).astype(np.float32)
    return picture, stream
