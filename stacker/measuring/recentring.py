"""Taking the air's motion out of many short exposures of one patch, without letting noise line up with itself.

A frame that is moved until its own noise fits the mean best fakes agreement. So the frequencies are split into sectors
of direction, two sets in turn, and every set is moved by what the other one measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Spectra = NDArray[np.complex64]
Real = NDArray[np.float32]
Shifts = NDArray[np.float64]

_SECTORS = 8
_RINGS = 20
_LEADING = 0.5
"""Frequencies up to this part of the cutoff tell the motion."""
_COARSE = 0.25
_GRID = 5
_GRID_STEP = 0.4
_JOINT_ROUNDS, _CROSSED_ROUNDS = 2, 2
_NEWTON_STEPS = 2
_LONGEST_STEP = 0.5
_FAINT = 0.02


@dataclass(frozen=True)
class Modes:
    """Spatial frequencies of a patch's half plane, (K,) each, in cycles per pixel."""

    row: Real
    column: Real
    cutoff: float
    """Of the telescope, in cycles per pixel."""

    @cached_property
    def relative(self) -> Real:
        """(K,) frequency in units of the cutoff."""
        return np.asarray(np.hypot(self.row, self.column) / self.cutoff, np.float32)

    @cached_property
    def angle(self) -> Real:
        """(K,) direction from the column axis towards rows, 0 to pi."""
        return np.asarray(np.arctan2(self.row, self.column) % np.pi, np.float32)

    @cached_property
    def set(self) -> NDArray[np.intp]:
        """(K,) which of the two sets of sectors a mode belongs to: 0 or 1."""
        return np.asarray((self.angle * (_SECTORS / np.pi)).astype(np.intp) % 2)

    @cached_property
    def ring(self) -> NDArray[np.intp]:
        """(K,) ring of a twentieth of the cutoff."""
        return np.minimum((self.relative * _RINGS).astype(np.intp), _RINGS - 1)

    def ring_mean(self, values: NDArray[np.floating]) -> Real:
        """Return the mean (K,) of `values` (K,) over each mode's ring."""
        count = np.maximum(np.bincount(self.ring, minlength=_RINGS), 1)
        return np.asarray((np.bincount(self.ring, values, _RINGS) / count)[self.ring], np.float32)

    @cached_property
    def leading(self) -> NDArray[np.bool_]:
        """(K,) which modes tell the motion."""
        return np.asarray(self.relative < _LEADING)

    @cached_property
    def lead(self) -> Modes:
        """The modes that tell the motion."""
        return self.part(self.leading)

    @cached_property
    def low(self) -> Modes:
        """The modes that find it first."""
        return self.part(self.relative < _COARSE)

    @cached_property
    def halves(self) -> tuple[Modes, Modes]:
        """The two sets of sectors."""
        return self.part(self.set == 0), self.part(self.set == 1)

    @cached_property
    def _grids(self) -> tuple[NDArray[np.floating], NDArray[np.intp], NDArray[np.floating], NDArray[np.intp]]:
        rows, at_row = np.unique(self.row, return_inverse=True)
        columns, at_column = np.unique(self.column, return_inverse=True)
        return rows, at_row, columns, at_column

    def part(self, chosen: NDArray[np.bool_]) -> Modes:
        """Return some of the modes."""
        return Modes(self.row[chosen], self.column[chosen], self.cutoff)

    def turn(self, shift_px: Shifts) -> Spectra:
        """Return the factors (n, K) that undo shifts (n, 2)."""
        rows, at_row, columns, at_column = self._grids
        factors = np.take(_phasors(shift_px[:, 0], rows), at_row, axis=1)
        factors *= np.take(_phasors(shift_px[:, 1], columns), at_column, axis=1)
        return np.asarray(factors, np.complex64)


def _phasors(shift_px: NDArray[np.float64], frequency: NDArray[np.floating]) -> Spectra:
    """Return exp(2 pi i shift frequency), (n, F); single precision loses a millionth of a turn and takes a fifth."""
    turns = np.outer(shift_px, frequency)
    turns -= np.rint(turns)
    angle = (2.0 * np.pi * turns).astype(np.float32)
    phasors = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=phasors.real)
    np.sin(angle, out=phasors.imag)
    return phasors


def recentre(spectra: Spectra, modes: Modes) -> tuple[Spectra, Shifts]:
    """Return `spectra` (n, K) of one patch in n frames with their motion undone, and the shifts (2, n, 2) in px.

    Shift [s] was measured on set s of the modes and undone in the other. Each frame is matched to the mean of all
    others with every mode weighted by signal over what the mean does not explain. Limits: motion of more than
    2 lambda / D about the mean is not found.
    """
    lead, seen = modes.lead, spectra[:, modes.leading]
    joint = np.zeros((len(spectra), 2))
    for turn in range(_JOINT_ROUNDS):
        mean, weight = _reference(seen if turn == 0 else seen * lead.turn(joint), lead)
        joint = _search(seen, mean, weight, lead) if turn == 0 else joint
        joint = _centred(_climb(seen, mean, weight, lead, joint))
    shifts = np.stack([joint, joint])
    for _ in range(_CROSSED_ROUNDS):
        shifts = _crossed(seen, lead, shifts)
    moved = np.empty_like(spectra)
    for own in (0, 1):
        chosen = modes.set == own
        moved[:, chosen] = spectra[:, chosen] * modes.halves[own].turn(shifts[1 - own])
    return moved, shifts


def _crossed(seen: Spectra, lead: Modes, shifts: Shifts) -> Shifts:
    """Return shifts measured on each set against references that the other set's shifts made."""
    measured = []
    for own in (0, 1):
        chosen = lead.set == own
        part = lead.halves[own]
        moved = seen[:, chosen] * part.turn(shifts[1 - own])
        mean, weight = _reference(moved, part)
        count = len(seen)
        others = ((count * mean - moved) / np.float32(count - 1)).astype(np.complex64)
        measured.append(_climb(seen[:, chosen], others, weight, part, shifts[own]))
    middle = np.median(0.5 * (measured[0] + measured[1]), 0)
    return np.stack(measured) - middle


def _reference(moved: Spectra, modes: Modes) -> tuple[Spectra, Real]:
    """Return the mean (K,) of spectra and the weight (K,) of each mode: one over the power that it leaves."""
    count = len(moved)
    mean = moved.mean(0, dtype=np.complex64)
    power = (moved.real**2 + moved.imag**2).mean(0)
    steady = np.maximum((count * np.abs(mean) ** 2 - power) / (count - 1), 0.0)
    whole, agreed = modes.ring_mean(power), modes.ring_mean(steady)
    left = np.maximum(whole - agreed, 1e-3 * whole)
    trust = np.minimum(1.0, agreed / np.maximum(whole, 1e-30) / _FAINT)
    return mean, np.asarray(trust / np.maximum(left, 1e-30), np.float32)


def _search(seen: Spectra, mean: Spectra, weight: Real, modes: Modes) -> Shifts:
    """Return the best shifts (n, 2) on a coarse grid, by the low frequencies."""
    low = modes.relative < _COARSE
    line = np.arange(-_GRID, _GRID + 1) * (_GRID_STEP / modes.cutoff)
    grid = np.stack(np.meshgrid(line, line, indexing="ij"), -1).reshape(-1, 2)
    match = (seen[:, low] * (mean[low].conj() * weight[low])) @ modes.low.turn(grid).T
    return np.asarray(grid[np.argmax(match.real, axis=1)])


def _climb(seen: Spectra, reference: Spectra, weight: Real, modes: Modes, start: Shifts) -> Shifts:
    """Return shifts (n, 2) of the best match near `start`; `reference` is (K,), or (n, K) where each has its own."""
    product = seen * reference.conj()
    product *= weight
    angular = 2.0 * np.pi * np.stack([modes.row, modes.column], 1).astype(np.float64)
    squares = np.stack([angular[:, 0] ** 2, angular[:, 0] * angular[:, 1], angular[:, 1] ** 2], 1).astype(np.float32)
    shifts = start
    for _ in range(_NEWTON_STEPS):
        turned = product * modes.turn(shifts)
        slope = -(turned.imag @ angular.astype(np.float32)).astype(np.float64)
        a, b, c = (turned.real @ squares).astype(np.float64).T
        determinant = a * c - b * b
        good = (a > 0) & (c > 0) & (determinant > 1e-6 * a * c)
        safe = np.where(good, determinant, 1.0)
        step = np.stack([c * slope[:, 0] - b * slope[:, 1], a * slope[:, 1] - b * slope[:, 0]], 1) / safe[:, None]
        step[~good] = 0.0
        length = np.hypot(step[:, 0], step[:, 1]) * modes.cutoff / _LONGEST_STEP
        shifts = shifts + step / np.maximum(length, 1.0)[:, None]
    return shifts


def _centred(shifts: Shifts) -> Shifts:
    return np.asarray(shifts - np.median(shifts, 0))
