"""The plan and the closing table of a night in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from stacker.counted import counted
from stacker.night.groups import Group
from stacker.night.plan import BAD, DONE, GROWING, NEW, Plan, Planned
from stacker.night.task import ALREADY, FAILED, Outcome

_HEAD = ("capture", "frames used", "resolution", "x limit", "snr", "limited by", "")
_STATES = {NEW: "to do", DONE: "done already", GROWING: "still growing", BAD: "cannot be used"}


def plan_lines(plan: Plan) -> list[str]:
    """Return the plan: its groups with their captures, what cannot be used, and how much there is to do."""
    lines: list[str] = []
    for group in plan.groups:
        lines.append(f"{group.title}{_hours(group)}")
        rows = [_plan_row(plan, plan.planned[entry.path]) for entry in group.members]
        lines += [f"  {row}" for row in _aligned(rows)]
    bad = plan.in_state(BAD)
    if bad:
        lines += ["cannot be used", *(f"  {entry.found.fault}" for entry in bad)]
    if plan.calibration:
        names = ", ".join(_name(plan, path) for path in plan.calibration)
        lines.append(f"calibration, named by sidecars: {names}")
    counts = ", ".join(f"{len(plan.in_state(state))} {words}" for state, words in _STATES.items())
    return [*lines, f"{counted(len(plan.planned), 'capture')} in {counted(len(plan.groups), 'group')}: {counts}"]


def closing_lines(plan: Plan, outcomes: Mapping[Path, Outcome], odd: Mapping[Path, str]) -> list[str]:
    """Return the closing table: what each capture reached, group by group, then what failed and what looks odd."""
    if not plan.planned:
        return [closing_sentence(plan, outcomes)]
    groups = [(group, _rows(plan, group, outcomes, odd)) for group in plan.groups]
    table = _aligned([_HEAD, *(row for _, rows in groups for row in rows)])
    lines, place = [f"  {table[0]}"], 1
    for group, rows in groups:
        lines.append(f"{group.title}{_hours(group)}")
        lines += [f"  {row}" for row in table[place : place + len(rows)]]
        place += len(rows)
    failed = [outcome.words for _, outcome in sorted(outcomes.items()) if outcome.state == FAILED]
    failed += [entry.found.fault for entry in plan.in_state(BAD)]
    if failed:
        lines += ["failed", *(f"  {words}" for words in failed)]
    if odd:
        lines += ["doubtful", *(f"  {_name(plan, path)}: {words}" for path, words in sorted(odd.items()))]
    return [*lines, closing_sentence(plan, outcomes)]


def closing_sentence(plan: Plan, outcomes: Mapping[Path, Outcome]) -> str:
    """Return how the night went, in one line."""
    if not plan.planned:
        return f"{plan.folder}: holds no capture; name a folder with videos, FITS or TIFF files, or folders of pictures"
    whole = sum(outcome.metrics is not None or outcome.state == ALREADY for outcome in outcomes.values())
    already = sum(outcome.state == ALREADY for outcome in outcomes.values())
    failed = sum(outcome.state == FAILED for outcome in outcomes.values()) + len(plan.in_state(BAD))
    growing = len(plan.in_state(GROWING))
    words = f"{whole} of {counted(len(plan.planned), 'capture')} done"
    words += f" ({already} of them before)" if already else ""
    words += f", {failed} failed" if failed else ""
    words += f", {growing} still growing: call again when they are whole" if growing else ""
    return f"{words} -> {plan.out}"


def _rows(plan: Plan, group: Group, outcomes: Mapping[Path, Outcome], odd: Mapping[Path, str]) -> list[tuple[str, ...]]:
    return [_closing_row(plan, plan.planned[entry.path], outcomes.get(entry.path), odd) for entry in group.members]


def _closing_row(plan: Plan, planned: Planned, outcome: Outcome | None, odd: Mapping[Path, str]) -> tuple[str, ...]:
    name = _name(plan, planned.path)
    metrics = outcome.metrics if outcome else None
    if metrics is None:
        state = "failed" if outcome and outcome.state == FAILED else _STATES[planned.state]
        return name, state, "", "", "", "", ""
    limits = metrics.get("limits") or [{}]
    lost = metrics["frames_total"] - metrics["frames_readable"]
    remarks = {
        f"{counted(lost, 'frame')} lost": lost > 0,
        "doubtful": planned.path in odd,
        "air not known": any(limit.get("name") == "air" and limit.get("share") is None for limit in limits),
    }
    return (
        name,
        f"{metrics['frames_used']}/{metrics['frames_total']}",
        _resolution(metrics),
        _number(metrics["resolution_over_diffraction"], ".2f"),
        _number(metrics["snr"], ".0f"),
        str(limits[0].get("name", "-")),
        "; ".join(words for words, applies in remarks.items() if applies),
    )


def _resolution(metrics: Mapping[str, Any]) -> str:
    for unit, words in (("arcsec", '"'), ("px", " px")):
        value, error = metrics.get(f"resolution_{unit}"), metrics.get(f"resolution_{unit}_error")
        if value is not None:
            return f"{value:.2f}{words}" if error is None else f"{value:.2f} ± {error:.2f}{words}"
    return "-"


def _plan_row(plan: Plan, planned: Planned) -> tuple[str, ...]:
    found = planned.found
    start = "" if found.start_utc is None else f"{found.start_utc:%H:%M:%S}"
    notes = "; ".join(found.notes)
    size = f"{found.frames} x {found.width_px}x{found.height_px}"
    return _name(plan, found.path), start, size, _STATES[planned.state], notes


def _name(plan: Plan, path: Path) -> str:
    try:
        return str(path.relative_to(plan.folder)) if path != plan.folder else path.absolute().name
    except ValueError:
        return str(path)


def _hours(group: Group) -> str:
    begins, ends = group.begins_utc, group.ends_utc
    if begins is None or ends is None:
        return ""
    same = _minute(begins) == _minute(ends)
    return f", {_minute(begins)} UTC" if same else f", {_minute(begins)} to {_minute(ends)} UTC"


def _minute(moment: datetime) -> str:
    return f"{moment:%H:%M}"


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)


def _aligned(rows: list[tuple[str, ...]]) -> list[str]:
    """Return rows as lines with their columns below each other."""
    if not rows:
        return []
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
