"""A plan as a person reads it: a verdict a target, and a table of telescopes and cameras below it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from stacker.sky.moments import VALIDITY
from stacker.sky.plan import Pair, Plan, TargetPlan

_WIDTH = 110
_COLUMNS = ("telescope", "camera", "worth", "elements", "in this air", "Barlow", "f/", "exposure", "capture")


def plan_heading(plan: Plan) -> list[str]:
    """Return the lines above all targets."""
    site = plan.night.site
    place = f"{site.name}, " if site.name else ""
    place += f"{site.latitude_deg:.2f} N {site.longitude_deg:.2f} E"
    return [
        f"Night of {plan.night.evening.isoformat()}, {place}; times UTC",
        f"Usual seeing {plan.seeing_arcsec:.1f} arcsec ({plan.seeing_from}); ephemeris {VALIDITY}, offline",
    ]


def target_lines(target: TargetPlan) -> Iterator[str]:
    """Yield the lines of one target, its caution apart."""
    look = target.look
    yield f"{target.target.upper()}  {target.sentence}"
    if target.best is None:
        return
    up = ", ".join(f"{span.start_utc:%H:%M} to {span.end_utc:%H:%M}" for span in target.up)
    best = f"{target.best.start_utc:%H:%M} to {target.best.end_utc:%H:%M}"
    yield f"  up {up}; best {best}: {look.altitude_deg:.0f} deg high, air mass {look.airmass:.2f}"
    size = f"  {look.diameter_arcsec:.1f} arcsec"
    if look.lit_fraction is not None:
        size += f", {100 * look.lit_fraction:.0f} % lit, {look.elongation_deg:.0f} deg from the Sun"
    yield f"{size}; colours 450-650 nm spread by {target.dispersion_arcsec:.2f} arcsec"
    yield from _table([_row(pair) for pair in target.pairs])
    for pair in target.pairs:
        words = "; ".join([f"{pair.telescope}, {pair.camera}: {pair.expectation.words}", *pair.notes])
        yield textwrap.fill(words, _WIDTH, initial_indent="  ", subsequent_indent="      ")


def legend() -> list[str]:
    """Return what the columns mean."""
    return [
        "elements: resolution elements (lambda/D, 550 nm) across the disc; in this air: to count on in usual seeing.",
        "Barlow: factor for 2 px per element (3 behind a mosaic), / enough in this air; f/: focal ratio with it;",
        "exposure: longest that does not blur by the air; capture: longest before rotation smears half an element.",
    ]


def _row(pair: Pair) -> tuple[str, ...]:
    return (
        pair.telescope,
        pair.camera,
        pair.expectation.worth,
        f"{pair.elements_by_diffraction:.0f}",
        f"{pair.elements_in_usual_air:.0f}",
        f"x{pair.barlow_factor:.1f}/x{pair.barlow_factor_in_usual_air:.1f}",
        f"{pair.focal_ratio:.0f}",
        f"{pair.exposure_ceiling_ms:.0f} ms",
        f"{_duration(pair.longest_capture_s)} ({pair.limited_by})",
    )


def _table(rows: list[tuple[str, ...]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(_COLUMNS, *rows, strict=True)]
    for row in (_COLUMNS, *rows):
        yield "    " + "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip()


def _duration(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.0f} h"
