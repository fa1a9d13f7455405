"""What must be said of a night's targets that are the Sun or stand near it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from stacker.night.found import Found


def cautions_of(found: Iterable[Found]) -> tuple[str, ...]:
    """Return each caution once, the Sun's first; captures of targets that the ephemeris does not know have none."""
    said: dict[str, tuple[float, str]] = {}
    for entry in found:
        if entry.circumstances.target is None:
            continue
        name = entry.circumstances.target.strip().casefold()
        told = _caution(name, entry.start_utc)
        if told is not None and (name not in said or told < said[name]):
            said[name] = told
    return tuple(words for _, words in sorted(said.values()))


def _caution(name: str, start_utc: datetime | None) -> tuple[float, str] | None:
    """Return elongation in degrees and words; the Sun needs no time, a planet does."""
    from stacker.sky.bodies import BODIES
    from stacker.sky.caution import caution_for
    from stacker.sky.ephemeris import look_at

    body = BODIES.get(name)
    if body is None or (start_utc is None and name != "sun"):
        return None
    try:
        elongation_deg = 0.0 if name == "sun" else look_at(name, start_utc or datetime.now(UTC)).elongation_deg
    except ValueError:
        return None  # a year outside the ephemeris
    words = caution_for(body.name, elongation_deg)
    return None if words is None else (elongation_deg, words)
