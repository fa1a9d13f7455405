"""Runs, comparisons and seeing as plain values, for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from stacker.logbook.comparison_words import ranking_of
from stacker.logbook.logged_run import LoggedRun, Measured

if TYPE_CHECKING:
    from stacker.logbook.columns import Numbers, Real
    from stacker.logbook.comparison_record import Comparison, Difference, Group, Row
    from stacker.logbook.fairness import Judged
    from stacker.logbook.sessions import SeeingRecord, Spell

SCHEMA_VERSION = 1


def run_as_record(run: LoggedRun, *, whole: bool = False) -> dict[str, Any]:
    """Return a run; `whole` adds metrics.json as it stands."""
    record = {
        "id": run.id,
        "capture": run.capture,
        "capture_sha256": run.capture_sha256,
        "folder": str(run.folder),
        "processed_utc": run.processed_utc,
        "software_version": run.software_version,
        "kind": run.kind,
        "night": run.night,
        "altitude_deg": run.altitude_deg,
        "airmass": run.airmass,
        "circumstances": run.circumstances,
        "settings": run.settings,
        "measured": {name: _measured(found) for name, found in run.measured.items()},
    }
    return {**record, "metrics": run.metrics} if whole else record


def comparison_as_record(told: Comparison) -> dict[str, Any]:
    """Return a comparison; groups are named by their labels."""
    labels = [group.label for group in told.groups]
    return {
        "schema_version": SCHEMA_VERSION,
        "by": told.by,
        "alpha": told.alpha,
        "looked_at": told.looked_at,
        "groups": [_group(group) for group in told.groups],
        "figures": [_row(row, labels) for row in told.rows],
        "runs": _fair(told.fairness),
        "sentences": list(told.sentences),
        "notes": list(told.notes),
    }


def seeing_as_record(told: SeeingRecord) -> dict[str, Any]:
    """Return the seeing over the sessions."""
    columns: dict[str, Sequence[Any]] = {
        "id": told.runs.told("id"),
        "start_utc": told.runs.told("start_utc"),
        "altitude_deg": _known(told.runs.numbers("altitude_deg")),
        "seeing_arcsec": _known(told.runs.measured("seeing_arcsec").value),
        "zenith_arcsec": told.zenith_arcsec.tolist(),
    }
    return {
        "schema_version": SCHEMA_VERSION,
        "usual_arcsec": _measured(told.usual_arcsec),
        "airmass_power": _measured(told.airmass_power),
        "corrected": told.corrected,
        "nights": [_spell(spell) for spell in told.nights],
        "hours": [_spell(spell) for spell in told.hours],
        "altitudes": [_spell(spell) for spell in told.altitudes],
        "runs": _rows(columns),
    }


def _group(group: Group) -> dict[str, Any]:
    limits = {name: _measured(share) for name, share in group.limits}
    return {"label": group.label, "runs": group.runs.told("id"), "limits": limits}


def _row(row: Row, labels: list[str]) -> dict[str, Any]:
    return {
        "figure": row.figure.name,
        "unit": row.figure.unit,
        "relative": row.figure.relative,
        "means": {label: _measured(mean) for label, mean in zip(labels, row.means, strict=True)},
        "runs": dict(zip(labels, row.counts, strict=True)),
        "scatter": _finite(row.scatter),
        "order": [labels[index] for index in row.order],
        "ranking": ranking_of(row, labels),
        "differences": [_difference(found, labels) for found in row.differences],
    }


def _difference(found: Difference, labels: list[str]) -> dict[str, Any]:
    told = {key: _finite(value) for key, value in asdict(found).items()}
    return {**told, "one": labels[found.one], "other": labels[found.other]}


def _fair(told: Judged) -> list[dict[str, Any]]:
    columns: dict[str, Sequence[Any]] = {
        "run": told.runs.told("id"),
        "telescope": told.runs.told("telescope"),
        "night": told.runs.told("night"),
        "resolution_arcsec": _each(told.resolution_arcsec),
        "diffraction_arcsec": _known(told.diffraction_arcsec),
        "over_diffraction": _each(told.over_diffraction),
        "seeing_arcsec": _known(told.seeing_arcsec),
        "over_seeing": _each(told.over_seeing),
        "d_over_r0": _each(told.d_over_r0),
        "expected_arcsec": _known(told.expected_arcsec),
        "over_expected": _each(told.over_expected),
    }
    return _rows(columns)


def _rows(columns: dict[str, Sequence[Any]]) -> list[dict[str, Any]]:
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _each(found: Numbers) -> list[dict[str, float | None] | None]:
    return [_measured(one) for one in found]


def _known(column: Real) -> list[float | None]:
    return [_finite(value) for value in column.tolist()]


def _spell(spell: Spell) -> dict[str, Any]:
    return {**asdict(spell), "quartiles_arcsec": list(spell.quartiles_arcsec)}


def _measured(found: Measured | None) -> dict[str, float | None] | None:
    return None if found is None else {"value": found.value, "error": found.error}


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
