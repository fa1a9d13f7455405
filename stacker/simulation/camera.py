"""From light on the sensor to stored numbers: mosaic, photon noise, bad pixels, converter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.simulation.scenario import Detector

Real = NDArray[np.float32]

_NOISE_BANK = 6
_NOISE_SPARE_PX = 64


@dataclass(frozen=True)
class Sensor:
    """A camera with its own bad pixels and shading."""

    detector: Detector
    response: Real
    """(H, W) relative sensitivity: fixed pattern, vignetting, dust; dead pixels 0.02."""
    leak_electrons: Real
    """(H, W) charge of one exposure in the dark: hot pixels fill half to all of their well, warm ones and hot columns a
    few per cent, the amplifier's glow comes from a corner."""
    column_electrons: Real
    """(W,) offset of each column, however short the exposure."""
    hot: NDArray[np.int64]
    """Flat indices, as the next two."""
    warm: NDArray[np.int64]
    dead: NDArray[np.int64]


def build_sensor(rng: np.random.Generator, detector: Detector, shape: tuple[int, int]) -> Sensor:
    """Draw a sensor of (H, W) pixels."""
    pixels = shape[0] * shape[1]
    counts = [round(share * pixels) for share in (detector.hot_share, detector.warm_share, detector.dead_share)]
    chosen = rng.choice(pixels, sum(counts), replace=False)
    hot, warm, dead = np.split(chosen, np.cumsum(counts)[:2])
    response = 1.0 + detector.fixed_pattern_rms * rng.standard_normal(shape, dtype=np.float32)
    response *= _shading(rng, detector, shape)
    response.flat[dead] = 0.02
    well = detector.full_scale_adu * detector.gain_e_per_adu
    leak = np.zeros(shape, np.float32)
    leak.flat[hot] = well * rng.uniform(0.4, 1.2, len(hot))
    leak.flat[warm] = well * rng.uniform(0.03, 0.15, len(warm))
    leak += _stray_charge(rng, detector, shape, well)
    columns = np.zeros(shape[1], np.float32)
    if detector.column_noise_electrons:
        columns += detector.column_noise_electrons * rng.standard_normal(shape[1], dtype=np.float32)
    return Sensor(detector, response.astype(np.float32), leak, columns, np.sort(hot), np.sort(warm), np.sort(dead))


def _stray_charge(rng: np.random.Generator, detector: Detector, shape: tuple[int, int], well: float) -> Real:
    """Return (H, W) charge of hot columns and of the amplifier's glow, which sits at the right end of the last row."""
    stray = np.zeros(shape, np.float32)
    if detector.hot_columns:
        columns = rng.choice(shape[1], detector.hot_columns, replace=False)
        stray[:, columns] += np.float32(well) * rng.uniform(0.02, 0.10, detector.hot_columns).astype(np.float32)
    if detector.glow_electrons:
        up, left = np.meshgrid(*(np.arange(n, dtype=np.float32)[::-1] for n in shape), indexing="ij")
        reach_px = 0.5 * min(shape)
        stray += np.float32(detector.glow_electrons) * np.exp(-np.hypot(up, left) / np.float32(reach_px))
    return stray


def coloured(image: Real, detector: Detector) -> Real:
    """Return (H, W, 3) or (H, W, 1) brightness as the camera's filters pass it."""
    if image.shape[-1] != 3 or detector.colour_response == (1.0, 1.0, 1.0):
        return image
    return image * np.array(detector.colour_response, np.float32)


def through_mosaic(image: Real, mosaic: str | None) -> Real:
    """Return what the filters pass of `image` (H, W, 3): raw samples (H, W), or the image if no mosaic."""
    if mosaic is None:
        return image
    raw = np.empty(image.shape[:2], np.float32)
    for cell, letter in enumerate(mosaic):
        row, column = divmod(cell, 2)
        raw[row::2, column::2] = image[row::2, column::2, "RGB".index(letter)]
    return raw


def expected_electrons(sensor: Sensor, brightness: Real, transmission: float) -> Real:
    """Return the mean charge of each pixel for scene brightness (H, W) or (H, W, 3), behind cloud."""
    detector = sensor.detector
    response, leak = sensor.response, sensor.leak_electrons
    if brightness.ndim == 3:
        response, leak = response[..., None], leak[..., None]
    charge = np.maximum(brightness, 0.0) * np.float32(detector.peak_electrons * transmission)
    charge += np.float32(detector.sky_electrons)
    charge *= response
    charge += leak
    return np.asarray(charge, np.float32)


def convert(detector: Detector, electrons: Real) -> NDArray[Any]:
    """Return stored numbers: rounded, clipped at the converter's range, uint8 up to 8 bits, else uint16."""
    numbers = electrons * np.float32(1.0 / detector.gain_e_per_adu)
    numbers += np.float32(detector.offset_adu + 0.5)
    np.clip(numbers, 0, detector.full_scale_adu + 0.5, out=numbers)
    if detector.bits <= 8:
        return numbers.astype(np.uint8)
    stored = numbers.astype(np.uint16)
    return stored << (16 - detector.bits) if detector.high_aligned else stored


def expose(rng: np.random.Generator, sensor: Sensor, expected: Real) -> NDArray[Any]:
    """Return one exposure: Poisson electrons, Gaussian read noise, conversion."""
    electrons = rng.poisson(expected).astype(np.float32)
    read_noise = np.float32(sensor.detector.read_noise_electrons)
    electrons += read_noise * rng.standard_normal(expected.shape, dtype=np.float32)
    add_banding(rng, sensor, electrons)
    return convert(sensor.detector, electrons)


def add_banding(rng: np.random.Generator, sensor: Sensor, electrons: Real) -> None:
    """Add the offsets of rows, drawn anew each time, and of columns to (H, W) or (H, W, 3) electrons."""
    rows, columns = electrons.shape[:2]
    across = (1,) * (electrons.ndim - 2)
    if sensor.detector.row_noise_electrons:
        offset = np.multiply(rng.standard_normal(rows, dtype=np.float32), sensor.detector.row_noise_electrons)
        electrons += offset.astype(np.float32).reshape(rows, 1, *across)
    if sensor.detector.column_noise_electrons:
        electrons += sensor.column_electrons.reshape(1, columns, *across)


class QuickNoise:
    """Gaussian noise of the photons' and the reader's variance, cut from a few sheets at random places."""

    def __init__(self, rng: np.random.Generator, shape: tuple[int, ...]) -> None:
        spare = (shape[0] + _NOISE_SPARE_PX, shape[1] + _NOISE_SPARE_PX, *shape[2:])
        self._sheets = rng.standard_normal((_NOISE_BANK, *spare), dtype=np.float32)

    def expose(self, rng: np.random.Generator, sensor: Sensor, expected: Real) -> NDArray[Any]:
        """Return one exposure; the sheets repeat, the places do not."""
        sheet, top, left = rng.integers(0, (_NOISE_BANK, _NOISE_SPARE_PX + 1, _NOISE_SPARE_PX + 1))
        noise = self._sheets[sheet, top : top + expected.shape[0], left : left + expected.shape[1]]
        spread = np.sqrt(expected + np.float32(sensor.detector.read_noise_electrons**2))
        spread *= noise
        spread += expected
        add_banding(rng, sensor, spread)
        return convert(sensor.detector, spread)


def _shading(rng: np.random.Generator, detector: Detector, shape: tuple[int, int]) -> Real:
    y, x = np.meshgrid(*(np.linspace(-1, 1, n, dtype=np.float32) for n in shape), indexing="ij")
    shading = 1.0 - detector.vignetting * (y**2 + x**2) / 2.0
    for _ in range(detector.dust_specks):
        row, column = rng.uniform(-0.9, 0.9, 2)
        ring = np.hypot((y - row) * shape[0] / shape[1], x - column) / rng.uniform(0.02, 0.06)
        shading *= 1.0 - rng.uniform(0.03, 0.12) * np.exp(-(((ring - 0.8) / 0.35) ** 2))
    return np.asarray(shading, np.float32)
