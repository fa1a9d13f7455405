"""How far the target turned during the capture, and how much of that the alignment did not follow."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.record import Alignment
from stacker.capture.sequence import Capture
from stacker.measuring.witness import Witness
from stacker.ranking.record import Target
from stacker.sky.ephemeris import Look, look_at

_GRAIN = 8
_LIMB_FROM, _MIDDLE_TO = 0.85, 0.35
_FEWEST = 8
_SURE = 2.0
_BLOCKS = 8


@dataclass(frozen=True)
class Rotation:
    """The turn between first and last frame, and its smear at the disc's middle in camera pixels."""

    turned_deg: float
    duration_s: float
    smear_px: float
    """Way of the disc's middle against its limb."""
    followed_px: float
    """Part of it that the displacement fields of the frames followed; 0 where none is certain."""
    followed_px_error: float
    left_px: float
    """What is left to smear the stack."""
    left_px_error: float


def measure_rotation(
    capture: Capture,
    target: Target,
    alignment: Alignment,
    witness: Witness,
    scale_arcsec_per_px: float | None,
    zoom: float = 1.0,
) -> Rotation | str:
    """Return the target's rotation during the capture, or the reason why it is not known.

    The turn is the ephemeris' (Archinal et al. 2018, Celest. Mech. Dyn. Astron. 130:22); its way at the disc's middle
    is turn times radius. The radius is the fitted disc's (in a stack of `zoom` pixels per camera pixel), else the
    ephemeris' at the known scale of the camera, else the one that tracking found. A rotation that the fields follow
    shows as a motion of the middle against the limb that grows with time.
    """
    look, times = witness.look, capture.times_utc
    if look is None:
        return "needs target (the Sun, the Moon or a planet) and start_utc"
    if times is None or len(times) < 2:
        return "needs the time of each frame"
    duration = float((times[-1] - times[0]) / np.timedelta64(1, "s"))
    turned = _turned_deg(look, times[0], times[-1])
    radius = _radius_px(witness, look, target, scale_arcsec_per_px, zoom)
    if radius is None:
        return "needs the image scale or a whole disc"
    smear = float(np.deg2rad(abs(turned)) * radius * np.cos(np.deg2rad(look.sub_latitude_deg)))
    seconds = (times[alignment.frames] - times[0]) / np.timedelta64(1, "s")
    followed, error = _followed(alignment, target, np.asarray(seconds, np.float64), duration)
    taken = min(followed, smear) if followed > _SURE * error else 0.0
    return Rotation(turned, duration, smear, taken, error, smear - taken, max(error if taken else 0.0, 0.02 * smear))


def longest_s(rotation: Rotation, px_per_element: float) -> float | None:
    """Return the length of capture in which the middle moves by half of lambda/D; None where it does not move."""
    if not rotation.smear_px > 0:
        return None
    return 0.5 * px_per_element * rotation.duration_s / rotation.smear_px


def _turned_deg(look: Look, first: np.datetime64, last: np.datetime64) -> float:
    start, end = (look_at(look.body.name, _utc(moment), look.site).central_meridian_deg for moment in (first, last))
    turns = [(b - a + 180.0) % 360.0 - 180.0 for a, b in zip(_systems(start), _systems(end), strict=True)]
    return float(np.mean(turns)) if turns else 0.0


def _systems(meridian: float | dict[str, float] | None) -> list[float]:
    if meridian is None:
        return []
    return list(meridian.values()) if isinstance(meridian, dict) else [meridian]


def _utc(moment: np.datetime64) -> datetime:
    told = moment.astype("datetime64[us]").item()
    assert isinstance(told, datetime)
    return told.replace(tzinfo=UTC)


def _radius_px(witness: Witness, look: Look, target: Target, scale: float | None, zoom: float) -> float | None:
    """Return the radius of the body in camera pixels; `scale` in arcsec per camera pixel."""
    if witness.fit is not None:
        return witness.fit.radius_px / zoom
    if scale:
        return 0.5 * look.diameter_arcsec / scale
    return target.radius_px if target.kind == "disc" else None


def _followed(
    alignment: Alignment, target: Target, seconds: NDArray[np.float64], duration_s: float
) -> tuple[float, float]:
    """Return how far the fields carry the middle of a disc against its limb over the capture, in px, and its error.

    The slope over time of the frames' difference between the mean displacement near the middle and near the limb; its
    error from the scatter of the slopes' residuals over blocks of neighbouring frames, as the air has a memory.
    Fields are zero where frames were moved as a whole, and nothing is known of a surface.
    """
    if target.kind != "disc" or len(seconds) < _FEWEST or np.ptp(seconds) == 0:
        return 0.0, 0.0
    way = _middle_against_limb(alignment, target)
    time = seconds - seconds.mean()
    slope = time @ way / (time @ time)
    residual = way - way.mean(0) - time[:, None] * slope
    error = 0.0
    for part in np.array_split(np.arange(len(time)), min(_BLOCKS, len(time))):
        error += float(((time[part] @ residual[part]) ** 2).sum())
    return float(np.hypot(*slope)) * duration_s, float(np.sqrt(error) / (time @ time)) * duration_s


def _middle_against_limb(alignment: Alignment, target: Target) -> NDArray[np.float64]:
    """Return (M, 2): mean (dy, dx) of each frame's field in the middle of the disc less that along its limb.

    Scaled to the way of the very middle against the very limb, points of a turning sphere moving as the cosine of their
    distance from the middle.
    """
    level = alignment.level(_GRAIN)
    region = alignment.region
    row, column = (
        (np.arange(size) + 0.5) * _GRAIN - 0.5 + corner - centre
        for size, corner, centre in zip(level.rows.shape, (region.top, region.left), target.centre_px, strict=True)
    )
    away = np.hypot(row[:, None], column[None, :]) / target.radius_px
    masks = (away < _MIDDLE_TO), (away > _LIMB_FROM) & (away < 1.0)
    if not all(mask.any() for mask in masks):
        return np.zeros((len(alignment.frames), 2))
    middle, limb = (level.mean_motion(alignment.modes, mask.astype(np.float32)) for mask in masks)
    way = np.einsum("atm,ftm->fa", middle - limb, alignment.coefficients.astype(np.float64))
    height = np.sqrt(np.maximum(1.0 - away**2, 0.0))
    return np.asarray(way / (height[masks[0]].mean() - height[masks[1]].mean()))
