"""Pictures of one target brought to the same scale and the same way up, so that the eye compares like with like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Real = NDArray[np.float32]

LARGEST_PX = 1200
"""Of the common pictures' longer side."""
_LEAST_PX = 320
_MATCH_PX = 384
_SURE = 0.4
"""Correlation of the details of two pictures from which on their turn is believed; strangers reach 0.2."""
_RADII, _ANGLES = 48, 720
_FAINT = 0.05
"""Of the brightest: what still belongs to the target and its glow."""
_CLOSE_PX, _LARGEST_FACTOR = 480, 4.0


@dataclass(frozen=True)
class View:
    """One picture and what is known of how it looks at the sky."""

    picture: Picture
    """(H, W) or (H, W, 3), R, G, B."""
    disc: bool
    """Whether the target is a disc with sky around it."""
    scale_arcsec_per_px: float | None = None
    disc_radius_px: float | None = None
    north_angle_deg: float | None = None
    """Direction of north in the picture, counter-clockwise from up."""
    mirrored: bool = False


@dataclass(frozen=True)
class CommonViews:
    """Pictures of one size, scale and orientation."""

    pictures: tuple[Picture, ...]
    scale_arcsec_per_px: float | None
    north_up: bool
    """Else all stand as the first was captured."""
    notes: tuple[str, ...]


def common_views(views: Sequence[View]) -> CommonViews:
    """Return pictures of the same target at the scale of the finest, north up where it is known, else like the first.

    Scales come from telescope and camera, else from the size of the discs. Where north is not known a disc is turned
    (and mirrored) until its detail fits that of a picture whose north is known, or the first. What could not be settled
    stays as captured and is told in the notes. Raises ValueError for no view.
    """
    if not views:
        raise ValueError("no picture to compare")
    scales, scale_known, notes = _scales(views)
    finest = min(scales)
    size = _common_size(views, scales, finest)
    finest *= max(1.0, max(size) / LARGEST_PX)
    size = _common_size(views, scales, finest)
    leader = next((i for i, view in enumerate(views) if view.north_angle_deg is not None), 0)
    north_up = views[leader].north_angle_deg is not None
    order = [leader, *(i for i in range(len(views)) if i != leader)]
    pictures: dict[int, Picture] = {}
    as_captured: list[int] = []
    for index in order:
        settled, unsettled = views[index], False
        if index != leader and settled.north_angle_deg is None:
            turned = _turned_like(settled, pictures[leader], scales[index] / finest, size)
            settled, unsettled = (turned, False) if turned is not None else (settled, north_up or settled.disc)
        placed = _placed(settled, scales[index] / finest, size)
        pictures[index] = placed if index == leader else _moved_onto(placed, pictures[leader])
        if unsettled:
            as_captured.append(index + 1)
    if as_captured:
        notes.append(_untold(sorted(as_captured)))
    told = [pictures[index] for index in range(len(views))]
    shown, enlarged = _close_up(told) if all(view.disc for view in views) else (told, 1.0)
    return CommonViews(tuple(shown), finest / enlarged if scale_known else None, north_up, tuple(notes))


def _untold(numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"picture {numbers[0]} stands as captured: which way it is turned is not known"
    listed = f"{', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"
    return f"pictures {listed} stand as captured: which way they are turned is not known"


def _scales(views: Sequence[View]) -> tuple[list[float], bool, list[str]]:
    """Return the scale of each picture, in arcsec per pixel or relative to the first, and whether they are known."""
    told = [view.scale_arcsec_per_px for view in views]
    if all(told):
        return [float(scale) for scale in told if scale], True, []
    radii = [view.disc_radius_px for view in views]
    if all(radii):
        first = radii[0] or 1.0
        return [first / radius for radius in radii if radius], False, ["scales are those of the discs, taken as equal"]
    return [1.0] * len(views), False, ["a scale is not known: pictures stand pixel by pixel"]


def _common_size(views: Sequence[View], scales: Sequence[float], finest: float) -> tuple[int, int]:
    """Return height and width that hold every picture: turned ones by their longer side."""
    sides = []
    for view, scale in zip(views, scales, strict=True):
        height, width = view.picture.shape[:2]
        turned = view.disc or view.north_angle_deg is not None
        sides.append((max(height, width),) * 2 if turned else (height, width))
        sides[-1] = (round(sides[-1][0] * scale / finest), round(sides[-1][1] * scale / finest))
    return max(max(s[0] for s in sides), _LEAST_PX), max(max(s[1] for s in sides), _LEAST_PX)


def _placed(view: View, zoom: float, size: tuple[int, int]) -> Picture:
    """Return the picture zoomed, turned north up where known, its target in the middle of a canvas of `size`."""
    picture = view.picture[:, ::-1] if view.mirrored else view.picture
    middle = _middle(picture, view.disc)
    angle = view.north_angle_deg or 0.0
    turn = np.deg2rad(angle if view.mirrored else -angle)
    cos, sin = zoom * np.cos(turn), zoom * np.sin(turn)
    # Counter-clockwise on the screen by `turn`, in OpenCV's (x right, y down).
    matrix = np.array([[cos, sin, 0.0], [-sin, cos, 0.0]])
    matrix[:, 2] = np.array([(size[1] - 1) / 2, (size[0] - 1) / 2]) - matrix[:, :2] @ np.array(middle)
    flags = cv2.INTER_CUBIC if zoom > 0.7 else cv2.INTER_AREA
    if zoom <= 0.7:
        picture, matrix = _reduced(picture, matrix, zoom)
    moved = cv2.warpAffine(np.ascontiguousarray(picture), matrix, (size[1], size[0]), flags=flags)
    return np.asarray(moved, np.uint8)


def _reduced(picture: Picture, matrix: NDArray[np.float64], zoom: float) -> tuple[Picture, NDArray[np.float64]]:
    """Return the picture averaged down, and the matrix that is left to do: interpolation alone would alias."""
    height, width = picture.shape[:2]
    small = cv2.resize(
        picture, (max(1, round(width * zoom)), max(1, round(height * zoom))), interpolation=cv2.INTER_AREA
    )
    fx, fy = width / small.shape[1], height / small.shape[0]
    left = matrix.copy()
    left[:, 0] *= fx
    left[:, 1] *= fy
    left[:, 2] += matrix[:, :2] @ np.array([0.5 * fx - 0.5, 0.5 * fy - 0.5])
    return np.asarray(small, np.uint8), left


def _middle(picture: Picture, disc: bool) -> tuple[float, float]:
    """Return (x, y) of the disc's middle, half way between its brightest part and the sky; else of the picture's."""
    height, width = picture.shape[:2]
    if disc:
        gray = cv2.GaussianBlur(_gray(picture), (0, 0), 2.0)
        sky = float(np.median(np.concatenate([gray[0], gray[-1], gray[:, 0], gray[:, -1]])))
        rows, columns = np.nonzero(gray > 0.5 * (sky + float(np.percentile(gray, 99.5))))
        if len(rows):
            return 0.5 * float(columns.min() + columns.max()), 0.5 * float(rows.min() + rows.max())
    return (width - 1) / 2, (height - 1) / 2


def _turned_like(view: View, leader: Picture, zoom: float, size: tuple[int, int]) -> View | None:
    """Return the view with the north that makes its detail fit the leader's; None where nothing fits surely."""
    if not view.disc:
        return None
    wanted = _rays(leader)
    best: tuple[float, View] | None = None
    for mirrored in (view.mirrored, not view.mirrored):
        tried = replace(view, mirrored=mirrored, north_angle_deg=0.0)
        angle, likeness = _turn(_rays(_placed(tried, zoom, size)), wanted)
        if best is None or likeness > best[0]:
            best = likeness, replace(tried, north_angle_deg=-angle if mirrored else angle)
    return best[1] if best is not None and best[0] > _SURE else None


def _rays(picture: Picture) -> Real:
    """Return detail along rays from the middle, (angles counter-clockwise, radii), each radius with mean 0."""
    detail = _detail(_gray(picture))
    height, width = detail.shape
    middle, reach = ((width - 1) / 2, (height - 1) / 2), _reach(_gray(picture))
    rays = cv2.warpPolar(detail, (_RADII, _ANGLES), middle, 0.9 * reach, cv2.WARP_POLAR_LINEAR)[::-1]
    return np.asarray((rays - rays.mean(0)) * np.sqrt(np.arange(_RADII)), np.float32)


def _reach(gray: Real) -> float:
    """Return the radius of a circle as large as what is bright."""
    level = 0.5 * float(np.percentile(gray, 99.5))
    return float(np.sqrt((gray > level).sum() / np.pi)) or 1.0


def _turn(one: Real, other: Real) -> tuple[float, float]:
    """Return by how many degrees `one` stands counter-clockwise from `other`, and how alike they then are."""
    spectra = np.conj(np.fft.rfft(other, axis=0)) * np.fft.rfft(one, axis=0)
    likeness = np.fft.irfft(spectra.sum(1), _ANGLES) / max(float(np.linalg.norm(one) * np.linalg.norm(other)), 1e-9)
    place = int(np.argmax(likeness))
    return 360.0 * place / _ANGLES, float(likeness[place])


def _moved_onto(picture: Picture, leader: Picture) -> Picture:
    """Return the picture moved so that its detail falls onto the leader's; as it is where no move is sure."""
    factor = min(1.0, _MATCH_PX / max(picture.shape[:2]))
    one, other = (_detail(_small(_gray(p), factor)) for p in (leader, picture))
    window = cv2.createHanningWindow(one.shape[::-1], cv2.CV_32F)
    (dx, dy), sure = cv2.phaseCorrelate(one, other, window)
    if sure < 0.05 or max(abs(dx), abs(dy)) > 0.2 * max(one.shape):
        return picture
    matrix = np.array([[1.0, 0.0, -dx / factor], [0.0, 1.0, -dy / factor]])
    height, width = picture.shape[:2]
    return np.asarray(cv2.warpAffine(picture, matrix, (width, height), flags=cv2.INTER_CUBIC), np.uint8)


def _small(gray: Real, factor: float) -> Real:
    return np.asarray(cv2.resize(gray, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.float32)


def _detail(gray: Real) -> Real:
    return np.asarray(cv2.GaussianBlur(gray, (0, 0), 2.0) - cv2.GaussianBlur(gray, (0, 0), 12.0), np.float32)


def _close_up(pictures: Sequence[Picture]) -> tuple[list[Picture], float]:
    """Return the part of all pictures that holds the target, with sky around it, and how much larger it is shown."""
    bright = np.zeros(pictures[0].shape[:2], bool)
    for picture in pictures:
        gray = cv2.GaussianBlur(_gray(picture), (0, 0), 1.5)
        sky = float(np.median(np.concatenate([gray[0], gray[-1], gray[:, 0], gray[:, -1]])))
        bright |= gray > sky + _FAINT * (float(gray.max()) - sky)
    height, width = pictures[0].shape[:2]
    down, right = _half_way(bright.max(1), height), _half_way(bright.max(0), width)
    rows, columns = (slice(size // 2 - half, size // 2 + half) for size, half in ((height, down), (width, right)))
    factor = float(np.clip(_CLOSE_PX / (2 * max(down, right)), 1.0, _LARGEST_FACTOR))
    cut = [np.ascontiguousarray(picture[rows, columns]) for picture in pictures]
    enlarged = [cv2.resize(part, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC) for part in cut]
    return [np.asarray(picture, np.uint8) for picture in enlarged], factor


def _half_way(bright: NDArray[np.bool_], size: int) -> int:
    """Return how far from the middle of a line the target reaches, a margin of a quarter added."""
    where = np.flatnonzero(bright)
    reach = float(np.abs(where - size / 2).max()) if len(where) else size / 2
    return min(round(1.25 * reach) + 4, size // 2)


def _gray(picture: Picture) -> Real:
    plane = picture if picture.ndim == 2 else picture.mean(2)
    return np.asarray(plane, np.float32)
