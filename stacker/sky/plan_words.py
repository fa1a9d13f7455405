"""A plan as a person reads it: a verdict a target, and a table of telescopes and cameras below it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from stacker.sky.moments import VALIDITY
from stacker.sky.night import Span
from stacker.sky.plan import Pair, Plan, TargetPlan, size_text

_WIDTH = 110
_SOURCES = {"setting": "seeing_arcsec of the file, 2 where it says nothing", "given": "as given in the call"}
_COLUMNS = ("telescope", "camera", "worth", "elements", "in this air", "Barlow", "f/", "exposure", "capture")


def plan_heading(plan: Plan) -> list[str]:
    """Return the lines above all targets."""
    site = plan.night.site
    place = f"{site.name}, " if site.name else ""
    place += site.place()
    source = _SOURCES.get(plan.seeing_from, plan.seeing_from)
    return [
        f"Night of {plan.night.evening.isoformat()}, {place}; times UTC",
        f"Usual seeing {plan.seeing_arcsec:.1f} arcsec ({source}); ephemeris {VALIDITY}, offline",
    ]


def target_lines(target: TargetPlan) -> Iterator[str]:
    """Yield the lines of one target, its caution apart; of one that no telescope shows well, no more than the verdict.

    A telescope whose expectation stands in the verdict is not told it again.
    """
    look = target.look
    yield textwrap.fill(f"{target.target.upper()}  {target.sentence}", _WIDTH, subsequent_indent="      ")
    if target.best is None or not target.is_worth_it:
        return
    up = ", ".join(_hours(span, target) for span in target.up)
    best = f"{_hours(target.best, target)}: {look.altitude_deg:.0f} deg high, air mass {look.airmass:.2f}"
    yield textwrap.fill(f"up {up}; best {best}", _WIDTH, initial_indent="  ", subsequent_indent="      ")
    size = f"  {size_text(look)}"
    if look.lit_fraction is not None:
        size += f", {100 * look.lit_fraction:.0f} % lit, {look.elongation_deg:.0f} deg from the Sun"
    yield f"{size}; colours 450-650 nm spread by {target.dispersion_arcsec:.2f} arcsec"
    yield from _table([_row(pair) for pair in target.pairs])
    for pair in target.pairs:
        known = pair.expectation.words in target.sentence
        told = "; ".join([*([] if known else [pair.expectation.words]), *pair.notes])
        if told:
            words = f"{pair.telescope}, {pair.camera}: {told}"
            yield textwrap.fill(words, _WIDTH, initial_indent="  ", subsequent_indent="      ")


def legend() -> list[str]:
    """Return what the columns mean."""
    return [
        "elements: resolution elements (lambda/D, 550 nm) across the disc; in this air: to count on in usual seeing.",
        "Barlow: factor for 2 px per element (3 behind a mosaic), / enough in this air; f/: focal ratio with each;",
        "exposure: longest in which the wind does not carry the air on by a Fried parameter; where light is scarce,",
        "10 to 20 ms are common practice;",
        "capture: longest before the target's rotation, or the field's on an altazimuth mount, smears half an element,",
        "or before the best hours are over.",
    ]


def _row(pair: Pair) -> tuple[str, ...]:
    return (
        pair.telescope,
        pair.camera,
        pair.expectation.worth,
        f"{pair.elements_by_diffraction:.0f}",
        f"{pair.elements_in_usual_air:.0f}",
        f"x{pair.barlow_factor:.1f}/x{pair.barlow_factor_in_usual_air:.1f}",
        f"{pair.focal_ratio:.0f}/{pair.focal_ratio_in_usual_air:.0f}",
        f"{pair.exposure_ceiling_ms:.0f} ms",
        f"{_duration(pair.longest_capture_s)}, {pair.limited_by}",
    )


def _hours(span: Span, target: TargetPlan) -> str:
    """Return a span's hours; those of the Sun lie on two days, before and after the night."""
    day = ""
    if target.target == "Sun":
        midnight = target.looks[len(target.looks) // 2].moment.utc
        day = "on that day " if span.start_utc < midnight else "on the next day "
    return f"{day}{span.start_utc:%H:%M} to {span.end_utc:%H:%M}"


def _table(rows: list[tuple[str, ...]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(_COLUMNS, *rows, strict=True)]
    for row in (_COLUMNS, *rows):
        yield "    " + "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip()


def _duration(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.0f} h"
