"""Whether calibration frames belong to a capture: same sensor region, same numbers, same mosaic, same exposure."""

from __future__ import annotations

import numpy as np

from stacker.calibration.masters import Master
from stacker.capture import Capture, CaptureError

SAME_EXPOSURE = 0.02
"""Exposures this near to each other, relatively, count as the same."""
SAME_TEMPERATURE_C = 2.0
"""Dark current doubles every 6 degrees or so (Janesick 2007, Photon Transfer; figure from memory): a fifth for this."""
SAME_GAIN = 0.02
BRIGHTER = 0.02
"""Of the full scale, by which a dark may be above the middle of a capture: warmer darks are, by less."""


def check_match(capture: Capture, master: Master) -> None:
    """Raise CaptureError where `master` cannot belong to `capture`, naming what differs."""
    for ours, theirs, advice in (
        (_size(capture.shape), _size(master.mean.shape), f"record {_plural(master)} with the same part of the sensor"),
        (_planes(capture.shape), _planes(master.mean.shape), f"record {_plural(master)} in the capture's format"),
        (
            capture.mosaic,
            master.mosaic,
            "name the mosaic in the sidecars, or record both with the same part of the sensor",
        ),
        (_numbers(capture), _master_numbers(master), f"record {_plural(master)} in the capture's format"),
    ):
        if ours is not None and theirs is not None and ours != theirs:
            raise _differs(master, theirs, ours, advice)
    _check_bits(capture, master)
    _check_gain(capture, master)


def check_darkness(capture: Capture, master: Master) -> None:
    """Raise CaptureError where a dark or bias holds light: it is the capture itself, or brighter than the capture.

    A frame is its dark and what the target and the sky add to it. Where the camera's range is not known, or the
    exposures are known to differ, only the former is told.
    """
    if master.path.exists() and capture.path.exists() and master.path.samefile(capture.path):
        raise CaptureError(master.path, f"is the capture, given as its {master.kind}", f"name the {_plural(master)}")
    exposures = capture.circumstances.exposure_s, master.circumstances.exposure_s
    differ = None not in exposures and abs((exposures[1] or 0) / (exposures[0] or 1) - 1) > SAME_EXPOSURE
    if not np.isfinite(capture.full_scale) or (differ and master.kind == "dark"):
        return
    few = np.mean([capture.get_frame(index) for index in sorted({0, len(capture) // 2, len(capture) - 1})], axis=0)
    ours, theirs = float(np.median(few)), float(np.median(master.mean))
    if theirs > ours + BRIGHTER * capture.full_scale:
        what = f"the {master.kind} is brighter than the capture: {theirs:.0f} in the middle against {ours:.0f}"
        raise CaptureError(master.path, what, f"record {_plural(master)} with the telescope closed")


def dark_ratio(capture: Capture, dark: Master, bias: Master | None) -> tuple[float, tuple[str, ...]]:
    """Return by what the dark current of `dark` is multiplied, and what the user should know.

    1 where the exposures agree, or one of them is not known. Where they differ, the ratio of the exposures, but only
    with a bias (which does not grow with the exposure) and with both temperatures known and equal: otherwise nothing
    tells how much of the dark is dark current. Raises CaptureError then.
    """
    ours, theirs = capture.circumstances.exposure_s, dark.circumstances.exposure_s
    warmer = _warmer_c(capture, dark)
    if ours is None or theirs is None:
        whose = "capture's" if ours is None else "darks'"
        return 1.0, (f"the {whose} exposure is not known: the dark is taken as it is", *_told_temperature(warmer))
    if abs(theirs / ours - 1) <= SAME_EXPOSURE:
        return 1.0, _told_temperature(warmer)
    wrong = f"was exposed {theirs:g} s where the capture has {ours:g} s"
    if bias is None:
        raise CaptureError(dark.path, wrong, "record darks of that exposure, or name a bias as well")
    if warmer is None or abs(warmer) > SAME_TEMPERATURE_C:
        state = "are not both known" if warmer is None else f"differ by {abs(warmer):.1f} C"
        raise CaptureError(dark.path, f"{wrong} and the sensor's temperatures {state}", "record darks of that exposure")
    return ours / theirs, (f"the dark current was multiplied by {ours / theirs:.3g}, the ratio of the exposures",)


def _told_temperature(warmer: float | None) -> tuple[str, ...]:
    if warmer is None or abs(warmer) <= SAME_TEMPERATURE_C:
        return ()
    return (f"the darks' sensor was {abs(warmer):.1f} C {'warmer' if warmer > 0 else 'colder'} than the capture's",)


def _warmer_c(capture: Capture, dark: Master) -> float | None:
    ours, theirs = capture.circumstances.camera.temperature_c, dark.circumstances.camera.temperature_c
    return None if ours is None or theirs is None else theirs - ours


def _check_bits(capture: Capture, master: Master) -> None:
    ours, theirs = capture.circumstances.camera.bits, master.circumstances.camera.bits
    if ours is not None and theirs is not None and ours != theirs:
        raise _differs(master, f"{theirs} bits", f"{ours} bits", f"record {_plural(master)} with the same bit depth")
    known = ours is not None and theirs is not None and master.whole_numbers is not None
    if known and np.isfinite(capture.full_scale) and master.full_scale != capture.full_scale:
        what = f"stored up to {master.full_scale:g}", f"stored up to {capture.full_scale:g}"
        raise _differs(master, *what, f"record {_plural(master)} in the capture's format")
    if np.isfinite(capture.full_scale) and float(np.median(master.mean)) > capture.full_scale:
        what = f"at {np.median(master.mean):.0f} in the middle", f"at most at {capture.full_scale:g}"
        raise _differs(master, *what, f"record {_plural(master)} with the same bit depth")


def _check_gain(capture: Capture, master: Master) -> None:
    ours, theirs = capture.circumstances.camera.gain_e_per_adu, master.circumstances.camera.gain_e_per_adu
    # A flat's own gain cancels when it is normalised.
    if master.kind != "flat" and ours and theirs and abs(theirs / ours - 1) > SAME_GAIN:
        advice = f"record {_plural(master)} at the capture's gain"
        raise _differs(master, f"{theirs:g} electrons per ADU", f"{ours:g}", advice)


def _differs(master: Master, theirs: str, ours: str, advice: str) -> CaptureError:
    return CaptureError(master.path, f"the {master.kind} is {theirs} where the capture is {ours}", advice)


def _plural(master: Master) -> str:
    return {"dark": "darks", "flat": "flats", "bias": "biases"}[master.kind]


def _size(shape: tuple[int, ...]) -> str:
    return f"{shape[1]}x{shape[0]}"


def _planes(shape: tuple[int, ...]) -> str:
    return "in full colour" if len(shape) == 3 else "gray"


def _numbers(capture: Capture) -> str:
    return _word(capture.dtype)


def _master_numbers(master: Master) -> str | None:
    return None if master.whole_numbers is None else _word(master.whole_numbers)


def _word(dtype: np.dtype[np.generic]) -> str:
    return {"uint8": "in 8-bit numbers", "uint16": "in 16-bit numbers"}.get(str(dtype), "in real numbers")
