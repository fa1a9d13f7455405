"""The table of runs is read back by Python's csv and by DuckDB."""

import builtins
import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from stacker.logbook import LoggedRun
from stacker.logbook.export import check_export_path, export
from stacker.settings import SettingsError

MakeRun = Callable[..., LoggedRun]


@pytest.fixture
def runs(make_run: MakeRun) -> list[LoggedRun]:
    """Return two runs: one with signs that tables stumble over, one with less known."""
    metrics = {"snr": 12.5, "frames_used": 150, "r0_mm": None, "notes": {"r0_mm": 'too "faint", by far\nreally'}}
    return [make_run(1, target='Ambrel, "the" Größe', metrics=metrics), make_run(2, metrics={"snr": 1e-9})]


def test_csv(runs: list[LoggedRun], tmp_path: Path) -> None:
    """RFC 4180: quoted where needed; numbers read back to the last bit; what is not known is empty."""
    export(tmp_path / "runs.csv", runs)
    with (tmp_path / "runs.csv").open(encoding="utf-8", newline="") as file:
        first, second = csv.DictReader(file)
    assert first["capture.target"] == 'Ambrel, "the" Größe' and first["id"] == runs[0].id
    assert float(first["snr"]) == 12.5 and float(second["snr"]) == 1e-9
    assert (first["r0_mm"], second["frames_used"], first["telescope.aperture_mm"]) == ("", "", "254.0")
    assert json.loads(first["notes"])["r0_mm"].endswith("far\nreally")
    assert first["stacking.keep"] == "auto"


def test_parquet(runs: list[LoggedRun], tmp_path: Path) -> None:
    """DuckDB reads types and values as they were: whole numbers, numbers, text, nothing."""
    export(tmp_path / "rüns.parquet", runs)
    table = duckdb.read_parquet(str(tmp_path / "rüns.parquet"))
    kinds = dict(zip(table.columns, map(str, table.types), strict=True))
    assert (kinds["snr"], kinds["frames_used"], kinds["id"]) == ("DOUBLE", "BIGINT", "VARCHAR")
    found = [dict(zip(table.columns, row, strict=True)) for row in table.fetchall()]
    assert found[0]["capture.target"] == 'Ambrel, "the" Größe' and found[0]["r0_mm"] is None
    assert [row["snr"] for row in found] == [12.5, 1e-9] and found[1]["frames_used"] is None
    assert json.loads(found[0]["notes"])["r0_mm"].endswith("far\nreally")
    assert [entry.name for entry in tmp_path.iterdir()] == ["rüns.parquet"]


def test_an_unknown_ending_and_a_missing_library_are_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"ends in \.csv or \.parquet"):
        check_export_path(tmp_path / "runs.txt")
    real = builtins.__import__

    def without(name: str, *more: Any) -> Any:
        if name == "duckdb":
            raise ImportError(name)
        return real(name, *more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(SettingsError, match=r"stillair\[parquet\]"):
        check_export_path(tmp_path / "runs.parquet")
    check_export_path(tmp_path / "runs.csv")
