"""The logbook in words."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from math import isnan
from typing import TYPE_CHECKING, Any

from stacker.counted import counted
from stacker.logbook.columns import Numbers
from stacker.logbook.logged_run import LoggedRun, Measured
from stacker.logbook.runs import Runs

if TYPE_CHECKING:
    from stacker.logbook.sessions import SeeingRecord, Spell

LISTED_NAMES = (
    "frames_used",
    "frames_total",
    "resolution_arcsec",
    "resolution_px",
    "resolution_over_diffraction",
    "seeing_arcsec",
)
_TITLES = ("run", "start UTC", "target", "telescope", "filter", "frames", "resolution", "x limit", "seeing", "capture")


def listing(runs: Sequence[LoggedRun]) -> list[str]:
    """Return a line a run under a line of titles."""
    return table([_TITLES, *zip(*_columns(Runs.of(runs)), strict=True)])


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows as lines, columns as wide as they must be."""
    columns = [_padded(column) for column in zip(*rows, strict=True)]
    return ["  ".join(cells).rstrip() for cells in zip(*columns, strict=True)]


def _padded(column: Sequence[str]) -> list[str]:
    width = max(map(len, column))
    return [cell.ljust(width) for cell in column]


def with_error(found: Measured | None, unit: str = "") -> str:
    """Return a number with its error; `-` where there is none."""
    return "-" if found is None else found.words(unit)


def _columns(runs: Runs) -> Iterator[list[str]]:
    """Yield the cells of a listing column by column."""
    numbers = {name: runs.measured(name) for name in LISTED_NAMES}
    counts = zip(_shown(numbers["frames_used"], "{:.0f}"), _shown(numbers["frames_total"], "{:.0f}"), strict=True)
    sizes = zip(numbers["resolution_arcsec"], numbers["resolution_px"], strict=True)
    yield [name[:8] for name in runs.told("id")]
    yield [(start or "-")[:16].replace("T", " ") for start in runs.told("start_utc")]
    for name in ("target", "telescope", "filter"):
        yield [told or "-" for told in runs.told(name)]
    yield ["-" if "-" in both else "/".join(both) for both in counts]
    yield [with_error(arcsec, '"') if arcsec else with_error(px, " px") for arcsec, px in sizes]
    yield _shown(numbers["resolution_over_diffraction"], "{:.2f}")
    yield _shown(numbers["seeing_arcsec"], '{:.2f}"')
    yield runs.told("capture")


def _shown(found: Numbers, form: str) -> list[str]:
    return ["-" if isnan(value) else form.format(value) for value in found.value.tolist()]


def whole_run(run: LoggedRun) -> list[str]:
    """Return everything that is known of a run."""
    head = [
        ("run", run.id),
        ("folder", str(run.folder) + ("" if run.folder.is_dir() else " (gone)")),
        ("processed", f"{run.processed_utc} by version {run.software_version or 'unknown'}"),
        ("capture SHA-256", run.capture_sha256 or "-"),
        ("night", run.night or "-"),
    ]
    if run.altitude_deg is not None and run.airmass is not None:
        head.append(("altitude", f"{run.altitude_deg:.1f} deg, air mass {run.airmass:.2f}"))
    numbers = [
        (name, with_error(Measured(*found))) for name, found in run.measured.items() if not name.startswith("limit_")
    ]
    parts = [
        (run.capture, head),
        *((f"[{name}]", _told(values)) for name, values in run.circumstances.items()),
        *((f"settings [{name}]", _told(values)) for name, values in run.settings.items()),
        ("measured", numbers),
        ("limits, worst first", list(_limits(run.metrics.get("limits")))),
        ("notes", _told(run.metrics.get("notes") or {})),
    ]
    return [line for title, rows in parts if rows for line in (title, *_indented(rows))]


def _told(values: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [(key, value if isinstance(value, str) else json.dumps(value)) for key, value in values.items()]


def _limits(limits: Any) -> Iterator[tuple[str, str]]:
    for limit in limits if isinstance(limits, list) else ():
        share, error = limit.get("share"), limit.get("share_error")
        told = "-" if share is None else f"{share:.2f}" + ("" if error is None else f" ± {error:.2f}")
        yield str(limit.get("name")), f"{told}  {limit.get('sentence') or ''}".rstrip()


def _indented(rows: Sequence[tuple[str, str]]) -> list[str]:
    width = max(len(name) for name, _ in rows)
    return [f"  {name:<{width}}  {told}" for name, told in rows]


def seeing_words(record: SeeingRecord) -> list[str]:
    """Return the seeing over the sessions as tables."""
    if not record.runs:
        return ["no run on record has measured the seeing"]
    runs = len(record.runs)
    where = f"corrected to the zenith for {record.corrected} of them" if record.corrected else "where the target stood"
    lines = [f"seeing of {counted(runs, 'run')}, at 500 nm; {where}"]
    if record.usual_arcsec is not None:
        lines.append(
            f"usual: {with_error(record.usual_arcsec)} arcsec, median of {counted(len(record.nights), 'night')}"
        )
    if record.airmass_power is not None:
        lines.append(f"grows as air mass to the power {with_error(record.airmass_power)} within nights; 0.6 by theory")
    for title, spells in (("night", record.nights), ("hour", record.hours), ("altitude", record.altitudes)):
        if spells:
            lines += ["", *_spells(title, spells, "zenith median" if record.corrected else "median")]
    return lines


def _spells(title: str, spells: Sequence[Spell], median: str) -> list[str]:
    rows = [
        (
            spell.label,
            f"{spell.runs}",
            with_error(Measured(spell.median_arcsec, spell.error_arcsec)),
            f"{spell.quartiles_arcsec[0]:.2f} to {spell.quartiles_arcsec[1]:.2f}",
            f"{spell.as_measured_arcsec:.2f}",
        )
        for spell in spells
    ]
    return table([(title, "runs", median, "middle half", "as measured"), *rows])
