"""Moments: UTC to dynamical time and to the turn of the Earth, without any file from the network."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import erfa

FIRST_YEAR, LAST_YEAR = 1972, 2100
"""UTC has whole leap seconds since 1972; the series of the Earth's orbit end in 2100."""
VALIDITY = f"valid for {FIRST_YEAR} to {LAST_YEAR}"
J2000 = 2451545.0
DAYS_PER_CENTURY = 36525.0
_TT_MINUS_TAI_S = 32.184
_SLOWING_SINCE = 2027.0
_SLOWING_S_PER_CENTURY2 = 32.5
"""Average slowing of the Earth's turn over 2700 years (Stephenson, Morrison & Hohenkerk 2016, Proc. R. Soc. A 472)."""
_DAY_S = 86400.0


@dataclass(frozen=True)
class Moment:
    """One moment as two-part Julian dates: `(J2000, days since)`."""

    utc: datetime
    tt_days: float
    """Terrestrial time, days since J2000. TDB differs by less than 2 ms, which turns no planet by 0.0001 degrees."""
    ut1_days: float
    """Turn of the Earth. Until 2027 UTC, which leap seconds keep within 0.9 s (0.004 degrees) of it; later an estimate,
    within some 3 s in 2050."""


def moment_of(utc: datetime) -> Moment:
    """Return the moment of a UTC date and time; one without a zone is UTC.

    TT - UTC is 32.184 s and the leap seconds that are announced (37 since 2017); later ones cannot be known.
    Raises ValueError outside 1972 to 2100.
    """
    utc = (utc if utc.tzinfo else utc.replace(tzinfo=UTC)).astimezone(UTC)
    if not FIRST_YEAR <= utc.year <= LAST_YEAR:
        raise ValueError(
            f"{utc.year} is outside what the ephemeris knows; give a time from {FIRST_YEAR} to {LAST_YEAR}"
        )
    since = utc - datetime(2000, 1, 1, 12, tzinfo=UTC)
    utc_days = since.days + (since.seconds + 1e-6 * since.microseconds) / _DAY_S
    tt_days = utc_days + tt_minus_utc_s(utc) / _DAY_S
    return Moment(utc, tt_days, tt_days - tt_minus_ut1_s(utc) / _DAY_S)


def tt_minus_utc_s(utc: datetime) -> float:
    """Return terrestrial time minus UTC."""
    announced = erfa.leap_seconds.get()
    past = announced[
        (announced["year"] < utc.year) | (announced["year"] == utc.year) & (announced["month"] <= utc.month)
    ]
    return float(past["tai_utc"][-1]) + _TT_MINUS_TAI_S


def tt_minus_ut1_s(utc: datetime) -> float:
    """Return Delta T: TT - UTC until 2027, then growing as the Earth slows on average, 32.5 s per century squared."""
    later = max(0.0, utc.year + utc.timetuple().tm_yday / 365.25 - _SLOWING_SINCE) / 100.0
    return tt_minus_utc_s(utc) + _SLOWING_S_PER_CENTURY2 * later**2
