"""Darks, flats and biases of the camera that made a simulated capture."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture import Circumstances
from stacker.simulation.camera import Sensor, build_sensor, coloured, expose, through_mosaic
from stacker.simulation.scenario import Scenario
from stacker.simulation.writing import write_capture, write_sidecar

Frame = NDArray[Any]
KINDS_OF_FRAMES = ("dark", "flat", "bias")
_SENSOR = 2
"""As in `simulate`: the same seed is the same camera."""
_STREAM = 7
"""Noise of its own: calibration frames share none with the capture's."""


@dataclass(frozen=True)
class Lamp:
    """The even light in front of the telescope while flats are taken."""

    level: float = 0.6
    """Of full scale, at a pixel of sensitivity 1."""
    flicker: float = 0.0
    """Relative spread of the light from frame to frame."""
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """Light in the camera's R, G, B."""


def camera_of(scenario: Scenario, seed: int) -> Sensor:
    """Return the sensor that `simulate(scenario, seed)` records with."""
    rng = np.random.default_rng([seed, _SENSOR, 0])
    return build_sensor(rng, scenario.detector, (scenario.height_px, scenario.width_px))


def calibration_frames(
    scenario: Scenario, seed: int, kind: str, frames: int, exposure_s: float | None = None, lamp: Lamp | None = None
) -> Iterator[Frame]:
    """Yield `frames` exposures, stored as the capture's are: `kind` is dark, flat or bias.

    Charge that leaks in the dark grows with `exposure_s` (default: the capture's; a bias has none). Raises ValueError
    for another kind.
    """
    if kind not in KINDS_OF_FRAMES:
        raise ValueError(f"kind is {kind!r}, must be one of {', '.join(KINDS_OF_FRAMES)}")
    sensor, lamp = camera_of(scenario, seed), lamp or Lamp()
    exposure_s = 0.0 if kind == "bias" else scenario.exposure_s if exposure_s is None else exposure_s
    leak = sensor.leak_electrons * np.float32(exposure_s / scenario.exposure_s)
    light = _light(scenario, sensor, lamp) if kind == "flat" else np.zeros((1, 1), np.float32)
    if light.ndim == 3:
        leak = leak[..., None]
    shape = (*sensor.response.shape, 3) if scenario.detector.colour else sensor.response.shape
    for index in range(frames):
        rng = np.random.default_rng([seed, _STREAM, KINDS_OF_FRAMES.index(kind), index])
        strength = max(1.0 + lamp.flicker * rng.standard_normal(), 0.0)
        expected = np.broadcast_to(light * np.float32(strength) + leak, shape)
        yield expose(rng, sensor, expected)


def _light(scenario: Scenario, sensor: Sensor, lamp: Lamp) -> NDArray[np.float32]:
    """Return the lamp's electrons behind vignetting, dust and the colour filters."""
    detector = scenario.detector
    even = np.full((*sensor.response.shape, len(detector.channels_nm)), 1.0, np.float32)
    if even.shape[2] == 3:
        even *= np.array(lamp.colour, np.float32)
    even = through_mosaic(coloured(even, detector), detector.mosaic)
    even = even[..., 0] if even.ndim == 3 and not detector.colour else even
    response = sensor.response[..., None] if even.ndim == 3 else sensor.response
    well = detector.full_scale_adu * detector.gain_e_per_adu
    return np.asarray(even * response * np.float32(lamp.level * well), np.float32)


def write_calibration(
    capture: Path, scenario: Scenario, seed: int, kind: str, frames: int, lamp: Lamp | None = None
) -> tuple[str, str, str]:
    """Write darks, flats and biases beside a simulated capture as `<name>-dark` and so on, each with its sidecar.

    Returned are their names, for the keys `dark`, `flat` and `bias` of the capture's sidecar. Raises CaptureError
    where the disk refuses.
    """
    detector, names = scenario.detector, []
    for what in KINDS_OF_FRAMES:
        path = capture.with_name(f"{capture.stem}-{what}{capture.suffix}")
        known = replace(
            scenario.circumstances(), target=None, exposure_s=None if what == "bias" else scenario.exposure_s
        )
        write_capture(
            path,
            calibration_frames(scenario, seed, what, frames, lamp=lamp),
            kind=kind,
            bits=16 if detector.high_aligned and detector.bits > 8 else detector.bits,
            mosaic=detector.mosaic,
            fps=scenario.frames_per_s,
            circumstances=known,
        )
        write_sidecar(path, _said(known, detector.bits))
        names.append(path.name)
    return names[0], names[1], names[2]


def _said(known: Circumstances, bits: int) -> Circumstances:
    return replace(known, camera=replace(known.camera, bits=bits))
