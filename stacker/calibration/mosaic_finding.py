"""The colour mosaic in front of a sensor: found from the frames where nothing names it, checked where it is named.

Two of the four lattices of a 2x2 cell see the same green light, the others do not: on the green diagonal the lattices
differ by noise alone. Which of the other two is red is told by `red_or_blue`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from stacker.calibration.lattices import LatticeGrid
from stacker.calibration.red_or_blue import Verdict, red_or_blue
from stacker.capture import Capture, CaptureError
from stacker.capture.sequence import Frame

Spectra = NDArray[np.complex64]
_FEW, _MANY = 6, 96
_SMALLEST_PX = 48
MAIN_DIAGONAL, ANTI_DIAGONAL = (0, 3), (1, 2)
_ACROSS = ((0, 1), (0, 2), (3, 1), (3, 2))
_CLEARLY = 2.0
"""Lattices differ when their difference has this many times the power of the quietest diagonal's."""
_DOUBT = 8.0
"""And by so many standard deviations more in small frames, where few modes say how much noise there is."""
_LEANING = 1.1
"""Log odds of 3 to 1, from which on doubts about a declared mosaic are told."""
_ALIKE = 0.02
"""Lattices of a colour camera that differ by less than this, relatively, show no colours."""


@dataclass(frozen=True)
class Lattices:
    """What a few frames show of the lattices."""

    green: tuple[int, int] | None
    """The green diagonal: lattices 0 and 3, or 1 and 2; None where no mosaic shows."""
    contrast: float
    """Amplitude of the differences between neighbouring lattices over the amplitude of the picture."""
    seen: bool
    """Whether there was any picture to judge by."""


def settle_mosaic(capture: Capture) -> None:
    """Find the mosaic of a gray capture that names none and set it; check one that is named.

    What was found, or does not fit, is added to the capture's notes. A mosaic that the user declares is kept in any
    case. *Limits*: a target without colour, behind filters of equal sensitivity, near the zenith, looks like the
    picture of a mono camera and is taken for one.
    """
    if len(capture.shape) != 2 or min(capture.shape) < _SMALLEST_PX:
        return
    grid = LatticeGrid.over(*capture.shape)
    few = _spectra(capture, grid, _FEW)
    found, declared = compare_lattices(few, grid), capture.mosaic
    if declared is None and found.green is not None:
        verdict = _judge(capture, grid, found.green)
        capture.mosaic = pattern(found.green, verdict)
        capture.notes += (_told(capture.mosaic, verdict),)
    elif declared is not None:
        capture.notes += _objections(capture, grid, declared, found)


def compare_lattices(spectra: Spectra, grid: LatticeGrid) -> Lattices:
    """Return which diagonal is green, from spectra (N, 4, modes) of a few frames.

    The power of the six differences of lattices is compared: a mosaic has one
    quiet diagonal and four loud neighbours. In a mono picture all six are noise; an amplifier for every other column,
    or rows with offsets of their own, leave one pair of neighbours quiet.
    """
    if not len(spectra):
        return Lattices(None, 0.0, False)

    def power(pair: tuple[int, int]) -> float:
        return float(np.median(np.mean(np.abs(spectra[:, pair[0]] - spectra[:, pair[1]]) ** 2, axis=1)))

    main, anti = power(MAIN_DIAGONAL), power(ANTI_DIAGONAL)
    across = [power(pair) for pair in _ACROSS]
    quiet = max(min(main, anti), 1e-20)
    picture = float(np.median(np.mean(np.abs(spectra.mean(1)[:, 1:]) ** 2, axis=1)))
    contrast = sqrt(max(float(np.mean(across)) - quiet, 0) / max(picture, 1e-20))
    # The window joins neighbouring modes: some 2.25 of them are one.
    clearly = max(_CLEARLY, 1 + _DOUBT * sqrt(2 * 2.25 / len(grid.frequency)))
    is_mosaic = min(across) > clearly * quiet and max(main, anti) > 0.5 * (1 + clearly) * quiet
    return Lattices(
        (MAIN_DIAGONAL if main < anti else ANTI_DIAGONAL) if is_mosaic else None, contrast, picture > 10 * quiet
    )


def pattern(green: tuple[int, int], verdict: Verdict) -> str:
    """Return the pattern's name, row by row, for a green diagonal and the odds that the first other lattice is red.

    >>> pattern((1, 2), Verdict(5.0, {}))
    'RGGB'
    """
    colours = "RB" if verdict.log_odds >= 0 else "BR"
    return f"G{colours}G" if green == MAIN_DIAGONAL else f"{colours[0]}GG{colours[1]}"


def other_diagonal(green: tuple[int, int]) -> tuple[int, int]:
    """Return the lattices that are red and blue where `green` are the green ones."""
    return ANTI_DIAGONAL if green == MAIN_DIAGONAL else MAIN_DIAGONAL


def _judge(capture: Capture, grid: LatticeGrid, green: tuple[int, int]) -> Verdict:
    return red_or_blue(_spectra(capture, grid, _MANY), green, other_diagonal(green), grid)


def _told(mosaic: str, verdict: Verdict) -> str:
    if verdict.certain:
        return f"colour mosaic {mosaic} found from the frames ({_odds(verdict)} against red and blue exchanged)"
    return (
        f"a colour mosaic was found from the frames; {mosaic} is likeliest, but red and blue may be exchanged"
        f" ({_odds(verdict)}): name the mosaic in the sidecar"
    )


def _odds(verdict: Verdict) -> str:
    return f"{np.exp(min(abs(verdict.log_odds), 9.0)):.0f} to 1"


def _objections(capture: Capture, grid: LatticeGrid, declared: str, found: Lattices) -> tuple[str, ...]:
    if found.green is None:
        if found.seen and found.contrast < _ALIKE:
            return (f"the declared mosaic {declared} does not show in the frames: the camera seems to be mono",)
        return ()
    if not all(declared[number] == "G" for number in found.green):
        fitting = "GRBG or GBRG" if found.green == MAIN_DIAGONAL else "RGGB or BGGR"
        return (f"the declared mosaic {declared} does not fit the frames, whose green pixels lie as in {fitting}",)
    if capture.circumstances.camera.mosaic is None:
        return ()
    verdict = _judge(capture, grid, found.green)
    likely = pattern(found.green, verdict)
    if likely == declared or abs(verdict.log_odds) < _LEANING:
        return ()
    if verdict.certain:
        return (f"the declared mosaic {declared} seems to have red and blue exchanged: the frames fit {likely}",)
    return (
        f"the frames cannot tell whether the declared mosaic {declared} has red and blue exchanged, but {likely} fits"
        f" them better ({_odds(verdict)})",
    )


def _spectra(capture: Capture, grid: LatticeGrid, most: int) -> Spectra:
    """Return the lattices' spectra of up to `most` frames with a picture; of a sequential capture the first ones."""
    last = min(len(capture), 2 * most) if capture.is_sequential else len(capture)
    indices = np.unique(np.linspace(0, last - 1, min(last, most)).astype(int)).tolist()
    found = [grid.spectra(frame) for frame in _readable(capture, indices) if frame.max() > frame.min()]
    return np.array(found, np.complex64)


def _readable(capture: Capture, indices: list[int]) -> Iterator[Frame]:
    if capture.is_sequential:
        try:
            for _, frame in capture.read(indices):
                yield frame
        except CaptureError:
            return
        return
    for index in indices:
        try:
            frame = capture.get_frame(index)
        except CaptureError:
            continue
        yield frame
