"""What many runs say of one thing, as arrays: measurements with their errors, and texts as numbers of those said."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.logbook.logged_run import Measured

Real = NDArray[np.float64]
Whole = NDArray[np.intp]
Truth = NDArray[np.bool_]
Places = Whole | Truth


@dataclass(frozen=True, eq=False)
class Numbers:
    """One measurement of many runs."""

    value: Real
    """(N,) nan where it was not measured."""
    error: Real
    """(N,) one standard deviation, nan where it has none."""

    @classmethod
    def of(cls, found: Sequence[Measured | None]) -> Numbers:
        """Return the column of single measurements."""
        pairs = [(math.nan, math.nan) if one is None else one for one in found]
        value, error = np.array(pairs, np.float64).reshape(-1, 2).T
        return cls(value, error)

    @classmethod
    def exact(cls, value: Real) -> Numbers:
        """Return a column without errors."""
        return cls(value, np.zeros(len(value)))

    @classmethod
    def unknown(cls, length: int) -> Numbers:
        """Return a column of what no run has measured."""
        return cls(np.full(length, np.nan), np.full(length, np.nan))

    def __iter__(self) -> Iterator[Measured | None]:
        return map(_measured, self.value.tolist(), self.error.tolist())

    def at(self, place: int) -> Measured | None:
        """Return one run's measurement; None where it has none."""
        return _measured(self.value[place].item(), self.error[place].item())

    def taken(self, places: Places) -> Numbers:
        """Return the column of these runs only."""
        return Numbers(self.value[places], self.error[places])

    def where(self, known: Truth) -> Numbers:
        """Return the column without what is not `known`."""
        return Numbers(np.where(known, self.value, np.nan), np.where(known, self.error, np.nan))

    def positive(self) -> Numbers:
        """Return the column without what is not above 0."""
        return self.where(self.value > 0)

    def times(self, factor: Real) -> Numbers:
        """Return the column times exact numbers."""
        return Numbers(factor * self.value, factor * self.error)

    def over(self, other: Numbers) -> Numbers:
        """Return the column over another; errors are independent."""
        with np.errstate(divide="ignore", invalid="ignore"):
            value = self.value / other.value
            return Numbers(value, value * np.hypot(self.error / self.value, other.error / other.value))


@dataclass(frozen=True, eq=False)
class Texts:
    """What each run says, as the number of one of the things that are said."""

    codes: Whole
    """(N,) places in `labels`."""
    labels: tuple[Any, ...]
    """Everything that is said, each once; None stands for what a run does not say."""

    @classmethod
    def of(cls, told: Sequence[Hashable]) -> Texts:
        """Return the column of what runs say one by one, numbered as it first comes."""
        known: defaultdict[Hashable, int] = defaultdict(count().__next__)
        codes = np.fromiter(map(known.__getitem__, told), np.intp, len(told))
        return cls(codes, tuple(known))

    def each(self, change: Callable[[Any], Hashable]) -> Texts:
        """Return the column with every label changed; what is alike then is one."""
        changed = Texts.of([change(label) for label in self.labels])
        return Texts(changed.codes[self.codes], changed.labels)

    def taken(self, places: Places) -> Texts:
        """Return the column of these runs only; `labels` may hold some that no run is left of."""
        return Texts(self.codes[places], self.labels)

    def fits(self, wanted: Callable[[Any], bool]) -> Truth:
        """Return (N,) whether what a run says is wanted."""
        return np.array([wanted(label) for label in self.labels], np.bool_)[self.codes]


def _measured(value: float, error: float) -> Measured | None:
    return None if math.isnan(value) else Measured(value, None if math.isnan(error) else error)
