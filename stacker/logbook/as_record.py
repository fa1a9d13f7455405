"""Runs, comparisons and seeing as plain values, for JSON."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from stacker.logbook.comparison_words import ranking_of
from stacker.logbook.logged_run import LoggedRun, Measured

if TYPE_CHECKING:
    from stacker.logbook.comparison_record import Comparison, Difference, Group, Row
    from stacker.logbook.fairness import Fairness
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
        "runs": [_fair(fair) for fair in told.fairness],
        "sentences": list(told.sentences),
        "notes": list(told.notes),
    }


def seeing_as_record(told: SeeingRecord) -> dict[str, Any]:
    """Return the seeing over the sessions."""
    runs = [
        {
            "id": run.id,
            "start_utc": run.start_utc,
            "altitude_deg": run.altitude_deg,
            "seeing_arcsec": run.value("seeing_arcsec"),
            "zenith_arcsec": zenith,
        }
        for run, zenith in zip(told.runs, told.zenith_arcsec, strict=True)
    ]
    return {
        "schema_version": SCHEMA_VERSION,
        "usual_arcsec": _measured(told.usual_arcsec),
        "airmass_power": _measured(told.airmass_power),
        "corrected": told.corrected,
        "nights": [_spell(spell) for spell in told.nights],
        "hours": [_spell(spell) for spell in told.hours],
        "altitudes": [_spell(spell) for spell in told.altitudes],
        "runs": runs,
    }


def _group(group: Group) -> dict[str, Any]:
    limits = {name: _measured(share) for name, share in group.limits}
    return {"label": group.label, "runs": [run.id for run in group.runs], "limits": limits}


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


def _fair(fair: Fairness) -> dict[str, Any]:
    return {
        "run": fair.run.id,
        "telescope": fair.run.telescope,
        "night": fair.run.night,
        "resolution_arcsec": _measured(fair.resolution_arcsec),
        "diffraction_arcsec": fair.diffraction_arcsec,
        "over_diffraction": _measured(fair.over_diffraction),
        "seeing_arcsec": fair.seeing_arcsec,
        "over_seeing": _measured(fair.over_seeing),
        "d_over_r0": _measured(fair.d_over_r0),
        "expected_arcsec": fair.expected_arcsec,
        "over_expected": _measured(fair.over_expected),
    }


def _spell(spell: Spell) -> dict[str, Any]:
    return {**asdict(spell), "quartiles_arcsec": list(spell.quartiles_arcsec)}


def _measured(found: Measured | None) -> dict[str, float | None] | None:
    return None if found is None else {"value": found.value, "error": found.error}


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
