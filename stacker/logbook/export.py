"""The logbook as a table, a row a run, for spreadsheets (CSV) and data tools (Parquet)."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from stacker.logbook.logged_run import LoggedRun
from stacker.settings import SettingsError
from stacker.whole_file import written_whole

ENDINGS = (".csv", ".parquet")
Cell = str | int | float | bool | None


def check_export_path(path: Path) -> None:
    """Raise SettingsError where a table cannot be written: an unknown ending, or DuckDB is missing for Parquet."""
    if path.suffix.lower() not in ENDINGS:
        raise SettingsError(f"{path}: a table ends in .csv or .parquet; give such a name")
    if path.suffix.lower() == ".parquet":
        try:
            import duckdb  # noqa: F401
        except ImportError:
            raise SettingsError(
                f"{path}: Parquet needs duckdb, which is not installed; "
                "run 'python -m pip install \"stillair[parquet]\"', or write .csv"
            ) from None


def export(path: Path, runs: Sequence[LoggedRun]) -> None:
    """Write runs (read whole) as CSV (RFC 4180, UTF-8) or Parquet, by the ending; whole or not at all.

    Raises SettingsError as `check_export_path`, OSError where the disk refuses.
    """
    check_export_path(path)
    rows = [row_of(run) for run in runs]
    columns = list(dict.fromkeys(key for row in rows for key in row))
    write = _write_csv if path.suffix.lower() == ".csv" else _write_parquet
    with written_whole(path) as temporary:
        write(temporary, columns, rows)


def row_of(run: LoggedRun) -> dict[str, Cell]:
    """Return a run as one row: what names it, sidecar and settings as `table.key`, then its measurements."""
    row: dict[str, Cell] = {
        "id": run.id,
        "capture": run.capture,
        "capture_sha256": run.capture_sha256,
        "folder": str(run.folder),
        "processed_utc": run.processed_utc,
        "software_version": run.software_version,
        "night": run.night,
        "altitude_deg": run.altitude_deg,
        "airmass": run.airmass,
    }
    for tables in (run.circumstances, run.settings):
        row |= {f"{name}.{key}": value for name, table in tables.items() for key, value in table.items()}
    skipped = (*row, "schema_version", "circumstances")
    row |= dict(_flat({key: value for key, value in run.metrics.items() if key not in skipped}))
    return row


def _flat(metrics: Mapping[str, Any]) -> Iterator[tuple[str, Cell]]:
    for key, value in metrics.items():
        if isinstance(value, (Mapping, list)):
            yield key, json.dumps(value, ensure_ascii=False) if value else None
        else:
            yield key, value


def _write_csv(path: Path, columns: Sequence[str], rows: Sequence[Mapping[str, Cell]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, columns, restval="")
        table.writeheader()
        table.writerows(rows)


def _write_parquet(path: Path, columns: Sequence[str], rows: Sequence[Mapping[str, Cell]]) -> None:
    """Write typed columns: a CSV beside, which DuckDB reads at once, is a hundred times faster than row by row."""
    import duckdb

    beside = path.with_name(path.name + ".csv")
    kinds = {name: _kind([row.get(name) for row in rows]) for name in columns}
    try:
        _write_csv(beside, columns, rows)
        with duckdb.connect() as connection:
            table = connection.read_csv(
                str(beside), header=True, columns=kinds, delimiter=",", quotechar='"', escapechar='"', parallel=False
            )
            table.write_parquet(str(path))
    except duckdb.Error as error:
        raise OSError(None, " ".join(str(error).split())) from error
    finally:
        beside.unlink(missing_ok=True)


def _kind(values: Sequence[Cell]) -> str:
    """Return the type of a column: whole numbers, numbers, truths, else text."""
    known = {type(value) for value in values if value is not None}
    if known == {bool}:
        return "BOOLEAN"
    if known == {int}:
        return "BIGINT"
    return "DOUBLE" if known and known <= {int, float} else "VARCHAR"
