"""One night at a site: when a target is up and dark enough, and when its air is best."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from stacker.sky.bodies import body_named
from stacker.sky.ephemeris import Look, look_from
from stacker.sky.moments import moment_of
from stacker.sky.vectors import Observer, Site, observer_at

STEP = timedelta(minutes=10)
_STEPS = 144
_SUN_BELOW_DEG = {"Moon": 0.0, "Venus": -3.0, "Jupiter": -3.0, "Mercury": -4.0, "Mars": -6.0, "Saturn": -6.0}
"""How far down the Sun must be (common practice, no source)."""
_FAINT_BELOW_DEG = -12.0


@dataclass(frozen=True)
class Span:
    """From one moment to another."""

    start_utc: datetime
    end_utc: datetime


@dataclass(frozen=True)
class Night:
    """The 24 hours from noon to noon, local mean time, in steps of ten minutes."""

    site: Site
    evening: date
    observers: tuple[Observer, ...]
    suns: tuple[Look, ...]

    @property
    def times_utc(self) -> list[datetime]:
        """Return the moments."""
        return [observer.moment.utc for observer in self.observers]


def night_at(site: Site, evening: date) -> Night:
    """Return the night that begins on this date. Raises ValueError for a year outside 1972 to 2100."""
    noon = datetime(evening.year, evening.month, evening.day, 12, tzinfo=UTC)
    east_deg = (site.longitude_deg + 180.0) % 360.0 - 180.0
    start = noon - timedelta(minutes=10 * round(east_deg / 2.5))
    observers = tuple(observer_at(moment_of(start + step * STEP), site) for step in range(_STEPS + 1))
    sun = body_named("Sun")
    return Night(site, evening, observers, tuple(look_from(observer, sun, site) for observer in observers))


def evening_of(utc: datetime, site: Site) -> date:
    """Return the date of the night in which a moment falls: before local noon it is the day before."""
    east_deg = (site.longitude_deg + 180.0) % 360.0 - 180.0
    return (utc.astimezone(UTC) + timedelta(hours=east_deg / 15.0 - 12.0)).date()


def looks_of(night: Night, target: str) -> tuple[Look, ...]:
    """Return how a target looks at each moment of the night."""
    body = body_named(target)
    if body.name == "Sun":
        return night.suns
    return tuple(look_from(observer, body, night.site) for observer in night.observers)


def usable(night: Night, looks: tuple[Look, ...], horizon_deg: float) -> list[bool]:
    """Return at which moments a target stands above `horizon_deg` in a sky dark enough for it."""
    name = looks[0].body.name
    limit = 90.0 if name == "Sun" else _SUN_BELOW_DEG.get(name, _FAINT_BELOW_DEG)
    return [
        (look.altitude_deg or -90.0) >= horizon_deg and (sun.altitude_deg or 0.0) <= limit
        for look, sun in zip(looks, night.suns, strict=True)
    ]


def spans(night: Night, wanted: list[bool]) -> list[Span]:
    """Return the stretches of moments that are wanted, each half a step longer at either end."""
    found: list[Span] = []
    times = night.times_utc
    start: int | None = None
    for index, want in enumerate([*wanted, False]):
        if want and start is None:
            start = index
        elif not want and start is not None:
            found.append(Span(times[start] - STEP / 2, times[index - 1] + STEP / 2))
            start = None
    return found


def around(wanted: list[bool], index: int) -> list[bool]:
    """Return the one stretch of wanted moments that holds `index`."""
    first = last = index
    while first > 0 and wanted[first - 1]:
        first -= 1
    while last + 1 < len(wanted) and wanted[last + 1]:
        last += 1
    return [first <= place <= last for place in range(len(wanted))]
