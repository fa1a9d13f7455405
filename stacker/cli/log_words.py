"""The logbook in words."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stacker.logbook import LoggedRun, Measured
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
    return table([_TITLES, *(_cells(run) for run in runs)])


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows as lines, columns as wide as they must be."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return ["  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def with_error(found: Measured | None, unit: str = "") -> str:
    """Return a number with its error, to two digits of the error; `-` where there is none."""
    from math import floor, log10

    if found is None:
        return "-"
    value, error = found
    if error is None or not error > 0:
        return f"{value:.3g}{unit}"
    digits = max(0, 1 - floor(log10(error)))
    return f"{value:.{digits}f} ± {error:.{digits}f}{unit}"


def _cells(run: LoggedRun) -> tuple[str, ...]:
    measured = run.measured
    used, total = run.value("frames_used"), run.value("frames_total")
    resolution = with_error(measured.get("resolution_arcsec"), '"')
    if resolution == "-":
        resolution = with_error(measured.get("resolution_px"), " px")
    over = run.value("resolution_over_diffraction")
    seeing = run.value("seeing_arcsec")
    return (
        run.id[:8],
        (run.start_utc or "-")[:16].replace("T", " "),
        run.target or "-",
        run.telescope or "-",
        run.filter or "-",
        "-" if used is None or total is None else f"{used:.0f}/{total:.0f}",
        resolution,
        "-" if over is None else f"{over:.2f}",
        "-" if seeing is None else f'{seeing:.2f}"',
        run.capture,
    )


def whole_run(run: LoggedRun) -> list[str]:
    """Return everything that is known of a run."""
    from stacker.logbook.logged_run import Measured

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
    lines = [f"seeing of {runs} runs, at 500 nm; corrected to the zenith for {record.corrected} of them"]
    if record.usual_arcsec is not None:
        lines.append(f"usual: {with_error(record.usual_arcsec)} arcsec, median of {len(record.nights)} nights")
    if record.airmass_power is not None:
        lines.append(f"grows as air mass to the power {with_error(record.airmass_power)} within nights; 0.6 by theory")
    for title, spells in (("night", record.nights), ("hour", record.hours), ("altitude", record.altitudes)):
        if spells:
            lines += ["", *_spells(title, spells)]
    return lines


def _spells(title: str, spells: Sequence[Spell]) -> list[str]:
    from stacker.logbook.logged_run import Measured

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
    return table([(title, "runs", "zenith median", "middle half", "as measured"), *rows])
