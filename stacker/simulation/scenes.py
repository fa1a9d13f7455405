"""What the telescope looks at: one record a kind of scene, drawn on a canvas wider than the frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.simulation.planet import BandedPlanet, paint_planet_map, project_planet
from stacker.simulation.surface import CrateredSurface, render_surface
from stacker.simulation.texture import fractal_noise

Real = NDArray[np.float32]

_PRIMARIES_NM = (465.0, 535.0, 620.0)
_FINE = 3
_ROOM_PX = 64


@dataclass(frozen=True)
class TexturedDisc:
    """A round disc covered with fractal texture that no model of a planet explains."""

    diameter_of_frame: float = 0.7
    contrast: float = 0.18
    slope: float = 2.4
    """Power of the texture falls as frequency^-slope."""
    minnaert: float = 0.6


@dataclass(frozen=True)
class FeaturelessDisc:
    """A limb-darkened disc with nothing on it: whatever detail appears is false."""

    diameter_of_frame: float = 0.7
    minnaert: float = 0.8


@dataclass(frozen=True)
class FlatField:
    """Even light over the whole frame."""

    level: float = 1.0


@dataclass(frozen=True)
class EmptySky:
    """No target at all."""


Scene = BandedPlanet | CrateredSurface | TexturedDisc | FeaturelessDisc | FlatField | EmptySky


@dataclass(frozen=True)
class DrawnScene:
    """A scene on its canvas."""

    picture: Callable[[float], Real]
    """Degrees turned since the capture's middle -> RGB or gray brightness (H, W, 3 or 1), about 0..1."""
    target: NDArray[np.bool_]
    """(H, W) where the target is."""
    bounded: bool
    """True for a disc surrounded by sky."""
    rotation_deg: float = 0.0


def draw_scene(
    rng: np.random.Generator, scene: Scene, frame_px: tuple[int, int], canvas_px: tuple[int, int]
) -> DrawnScene:
    """Draw `scene`, sized by the frame (H, W), in the middle of a canvas (H, W)."""
    shorter, longer = min(frame_px), max(frame_px)
    roomy_px = _roomy(frame_px, canvas_px)
    if isinstance(scene, BandedPlanet):
        return _banded(rng, scene, canvas_px, scene.diameter_of_frame * shorter)
    if isinstance(scene, CrateredSurface):
        ground = render_surface(rng, scene, roomy_px, scene.field_km / longer)
        ground = _middle(ground, canvas_px)
        bright = ground / np.float32(max(float(np.quantile(ground, 0.997)), 1e-3))
        return _still(np.minimum(bright, 1.3)[..., None], np.ones(canvas_px, bool), bounded=False)
    if isinstance(scene, FlatField):
        return _still(np.full((*canvas_px, 1), scene.level, np.float32), np.ones(canvas_px, bool), bounded=False)
    if isinstance(scene, EmptySky):
        return _still(np.zeros((*canvas_px, 1), np.float32), np.zeros(canvas_px, bool), bounded=True)
    radius = 0.5 * scene.diameter_of_frame * shorter
    disc = _disc(canvas_px, radius, scene.minnaert)
    if isinstance(scene, TexturedDisc):
        texture = _middle(fractal_noise(rng, roomy_px, scene.slope, longest=radius / roomy_px[0]), canvas_px)
        disc = disc * np.clip(0.75 + scene.contrast * texture, 0.1, 1.3)
    return _still(disc[..., None], _inside(canvas_px, radius), bounded=True)


def channel_of(picture: Real, wavelength_nm: float) -> Real:
    """Return the brightness (H, W) of a scene at a wavelength: between its primaries, or the gray itself."""
    if picture.shape[2] == 1:
        return picture[..., 0]
    weights = [
        np.interp(wavelength_nm, _PRIMARIES_NM, [float(i == primary) for i in range(3)]) for primary in (2, 1, 0)
    ]
    return np.asarray(picture @ np.array(weights, np.float32), np.float32)


def _banded(rng: np.random.Generator, planet: BandedPlanet, canvas_px: tuple[int, int], frame_px: float) -> DrawnScene:
    diameter = frame_px / planet.ring_outer if planet.ring else frame_px
    albedo = paint_planet_map(rng)

    def picture(turned_deg: float) -> Real:
        return project_planet(albedo, planet, canvas_px, diameter, turned_deg)

    outline = project_planet(np.ones_like(albedo), planet, canvas_px, diameter)[..., 0] > 0.02
    return DrawnScene(picture, outline, bounded=True, rotation_deg=planet.rotation_deg)


def _roomy(frame_px: tuple[int, int], canvas_px: tuple[int, int]) -> tuple[int, int]:
    """Return a size that holds the canvas and seldom changes with its margins, so seeing does not alter the scene."""
    steps = [-(-(canvas - frame) // (2 * _ROOM_PX)) for frame, canvas in zip(frame_px, canvas_px, strict=True)]
    return frame_px[0] + 2 * _ROOM_PX * max(steps), frame_px[1] + 2 * _ROOM_PX * max(steps)


def _middle(picture: Real, shape: tuple[int, int]) -> Real:
    top, left = ((n - m) // 2 for n, m in zip(picture.shape, shape, strict=True))
    return picture[top : top + shape[0], left : left + shape[1]]


def _still(picture: Real, target: NDArray[np.bool_], *, bounded: bool) -> DrawnScene:
    return DrawnScene(lambda turned_deg: picture, target, bounded)


def _radius(canvas_px: tuple[int, int], radius_px: float, fine: int) -> Real:
    rows, columns = (
        (np.arange(n * fine, dtype=np.float32) - np.float32((n * fine - 1) / 2)) / np.float32(radius_px * fine)
        for n in canvas_px
    )
    return np.asarray(np.hypot(rows[:, None], columns[None, :]), np.float32)


def _inside(canvas_px: tuple[int, int], radius_px: float) -> NDArray[np.bool_]:
    return np.asarray(_radius(canvas_px, radius_px, 1) <= 1.0)


def _disc(canvas_px: tuple[int, int], radius_px: float, minnaert: float) -> Real:
    """Return a disc at full phase, I = mu^(2k - 1), each pixel the mean of 3 x 3 samples."""
    distance = _radius(canvas_px, radius_px, _FINE)
    mu = np.sqrt(np.clip(1.0 - distance**2, 1e-4, 1.0))
    fine = np.where(distance <= 1.0, mu ** np.float32(2 * minnaert - 1), np.float32(0.0))
    return np.asarray(cv2.resize(fine, (canvas_px[1], canvas_px[0]), interpolation=cv2.INTER_AREA), np.float32)
