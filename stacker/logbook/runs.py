"""Many runs as columns; one of them becomes a record only when it is asked for."""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from typing import Any, overload

import numpy as np

from stacker.logbook.columns import Numbers, Places, Real, Texts, Whole
from stacker.logbook.logged_run import LoggedRun

SETTINGS = "settings_text"


@dataclass(frozen=True, eq=False)
class Table:
    """Where runs come from: a logbook, or records that are there already."""

    length: int
    told: Callable[[str], Sequence[Hashable]]
    """What each run says, by the name of a field or property of `LoggedRun`."""
    measured: Callable[[str], Numbers]
    """A measurement of each run by its key in metrics.json."""
    record: Callable[[int], LoggedRun]
    """One run, by its place."""
    kept: dict[str, Texts] = field(default_factory=dict)
    """Texts that were asked for."""

    def texts(self, name: str) -> Texts:
        """Return what each run says, numbered."""
        if name not in self.kept:
            self.kept[name] = Texts.of(self.told(name))
        return self.kept[name]


class Runs(Sequence[LoggedRun]):
    """Runs in order: a sequence of records that are made when asked for, and columns without that."""

    def __init__(self, table: Table, places: Whole | None = None) -> None:
        self._table = table
        self._places = np.arange(table.length) if places is None else places

    @classmethod
    def of(cls, runs: Sequence[LoggedRun]) -> Runs:
        """Return runs as they are, or as columns where they are records."""
        return runs if isinstance(runs, Runs) else cls(_table_of(runs))

    def __len__(self) -> int:
        return len(self._places)

    @overload
    def __getitem__(self, place: int) -> LoggedRun: ...
    @overload
    def __getitem__(self, place: slice) -> Runs: ...
    def __getitem__(self, place: int | slice) -> LoggedRun | Runs:
        if isinstance(place, slice):
            return Runs(self._table, self._places[place])
        return self._table.record(int(self._places[place]))

    def taken(self, places: Places) -> Runs:
        """Return these runs only, in the order of `places` where those are numbers."""
        return Runs(self._table, self._places[places])

    def told(self, name: str) -> list[Any]:
        """Return what each run says, by the name of a field or property of `LoggedRun`; None where it does not."""
        column = self._table.told(name)
        return [column[place] for place in self._places]

    def texts(self, name: str) -> Texts:
        """Return what each run says, as `told`, numbered."""
        return self._table.texts(name).taken(self._places)

    def setting(self, stage: str, name: str) -> Texts:
        """Return what each run was processed with."""
        return self.texts(SETTINGS).each(lambda text: json.loads(text).get(stage, {}).get(name))

    def numbers(self, name: str) -> Real:
        """Return a number that runs say, as `told`; nan where they do not."""
        return np.array(self._table.told(name), np.float64)[self._places]

    def measured(self, name: str) -> Numbers:
        """Return a measurement by its key in metrics.json."""
        return self._table.measured(name).taken(self._places)


def _table_of(runs: Sequence[LoggedRun]) -> Table:
    return Table(
        len(runs),
        lambda name: [getattr(run, name) for run in runs],
        lambda name: Numbers.of([run.measured.get(name) for run in runs]),
        runs.__getitem__,
    )
