"""Runs read from the tables of the logbook as columns: one query for what they say, one for each measurement."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from stacker.logbook.columns import Numbers, Whole
from stacker.logbook.logged_run import LoggedRun
from stacker.logbook.runs import Runs, Table

COLUMNS = {
    **{
        name: name
        for name in (
            "id", "folder", "processed_utc", "capture", "capture_sha256", "software_version", "kind", "target",
            "start_utc", "telescope", "camera", "site", "filter", "night", "altitude_deg", "airmass", "aperture_mm",
            "obstruction_mm", "wavelength_nm", "latitude_deg", "longitude_deg",
        )
    },
    "circumstances_text": "circumstances",
    "settings_text": "settings",
}  # fmt: skip
"""Column of the table `runs` for each field or property of `LoggedRun` that is stored there."""

_AS_RECORDED = ("id", "processed_utc", "capture", "capture_sha256", "software_version", "kind", "night",
                "altitude_deg", "airmass")  # fmt: skip
_MEASUREMENT = np.dtype([("run", np.intp), ("value", np.float64), ("error", np.float64)])
_WORTH_LOOKING_FOR = 2
"""A run among so many is looked for by itself."""
Row = tuple[Any, ...]


def read_runs(
    connection: sqlite3.Connection,
    where: str,
    values: Sequence[Any],
    *,
    names: Sequence[str] | None = None,
    whole: bool = False,
) -> Runs:
    """Return the runs that fit a condition in SQL, in order of time, those of unknown time first.

    `names` limits the measurements to these; `whole` adds metrics.json. Call it within a transaction. Raises
    sqlite3.Error.
    """
    columns = [*COLUMNS.values(), "metrics.text" if whole else "NULL"]
    rows = connection.execute(
        f"SELECT number, {', '.join(columns)} FROM runs {'LEFT JOIN metrics ON run = number' if whole else ''} "
        f"WHERE {where} ORDER BY start_utc, number",
        values,
    ).fetchall()
    numbers = np.array([row[0] for row in rows], np.intp)
    if names is None:
        names = _names(connection, numbers)
    measured = {name: _measured(connection, numbers, name) for name in sorted(names)}
    unknown = Numbers.unknown(len(rows))
    return Runs(
        Table(
            len(rows),
            _told(rows),
            lambda name: measured.get(name, unknown),
            lambda place: _record(rows[place], measured, place),
        )
    )


def _names(connection: sqlite3.Connection, numbers: Whole) -> list[str]:
    """Return everything that was measured."""
    where, values = _near(numbers)
    return [name for (name,) in connection.execute(f"SELECT DISTINCT name FROM measurements WHERE {where}", values)]


def _measured(connection: sqlite3.Connection, numbers: Whole, name: str) -> Numbers:
    where, values = _near(numbers)
    found = np.fromiter(
        connection.execute(f"SELECT run, value, error FROM measurements WHERE name = ? AND {where}", [name, *values]),
        _MEASUREMENT,
    )
    column = Numbers.unknown(len(numbers))
    place_of = np.full(int(numbers.max(initial=0)) + 1, -1)
    place_of[numbers] = np.arange(len(numbers))
    places = place_of[found["run"]]
    found, places = found[places >= 0], places[places >= 0]
    column.value[places], column.error[places] = found["value"], found["error"]
    return column


def _near(numbers: Whole) -> tuple[str, list[Any]]:
    """Return a condition that these runs fulfil: where they lie close together they are read at one go, with some
    others among them; that is quicker than looking for each."""
    low, high = int(numbers.min(initial=np.iinfo(np.intp).max)), int(numbers.max(initial=0))
    if len(numbers) * _WORTH_LOOKING_FOR > high - low:
        return "run BETWEEN ? AND ?", [low, high]
    return "run IN (SELECT value FROM json_each(?))", [json.dumps(numbers.tolist())]


def _told(rows: Sequence[Row]) -> Callable[[str], Sequence[Hashable]]:
    place = {name: index for index, name in enumerate(COLUMNS, 1)}
    return lambda name: [row[place[name]] for row in rows]


def _record(row: Row, measured: Mapping[str, Numbers], place: int) -> LoggedRun:
    """Return one run as it was recorded."""
    told = dict(zip(("number", *COLUMNS, "metrics_text"), row, strict=True))
    found = ((name, numbers.at(place)) for name, numbers in measured.items())
    return LoggedRun(
        folder=Path(told["folder"]),
        circumstances=json.loads(told["circumstances_text"]),
        settings=json.loads(told["settings_text"]),
        measured={name: one for name, one in found if one is not None},
        metrics=json.loads(told["metrics_text"] or "{}"),
        **{name: told[name] for name in _AS_RECORDED},
    )
