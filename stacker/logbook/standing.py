"""In which night a capture was made, and how high its target stood."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from stacker.capture.timing import moment_from_text

Tables = Mapping[str, Mapping[str, Any]]


def moment_from(start_utc: Any) -> datetime | None:
    """Return a UTC from its text; None where it is none."""
    return moment_from_text(start_utc) if isinstance(start_utc, str) else None


def night_of(circumstances: Tables) -> str | None:
    """Return the date of the evening, by the Sun at the site's longitude, at Greenwich's where none is known."""
    moment = moment_from(circumstances.get("capture", {}).get("start_utc"))
    if moment is None:
        return None
    longitude = float(circumstances.get("site", {}).get("longitude_deg") or 0.0)
    east_deg = (longitude + 180.0) % 360.0 - 180.0
    return (moment + timedelta(hours=east_deg / 15.0 - 12.0)).date().isoformat()


def standing_of(circumstances: Tables) -> tuple[float | None, float | None]:
    """Return altitude (degrees, before refraction) and air mass at the start; None where they cannot be told.

    They need a target of the ephemeris, a time within its years, and the site's latitude and longitude.
    """
    moment = moment_from(circumstances.get("capture", {}).get("start_utc"))
    target, site = circumstances.get("capture", {}).get("target"), circumstances.get("site", {})
    if moment is None or target is None or "latitude_deg" not in site or "longitude_deg" not in site:
        return None, None
    from stacker.sky.ephemeris import look_at
    from stacker.sky.vectors import Site

    try:
        place = Site(site["latitude_deg"], site["longitude_deg"], site.get("elevation_m") or 0.0)
        look = look_at(str(target), moment, place)
    except ValueError:
        return None, None
    return look.altitude_deg, look.airmass
