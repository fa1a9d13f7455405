"""The usual seeing of a site, from its nights on record."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from stacker.logbook.columns import Truth
from stacker.logbook.database import Logbook
from stacker.logbook.runs import Runs
from stacker.logbook.sessions import seeing_record
from stacker.sky.usual_seeing import AT_550_NM

SAME_SITE_DEG = 0.1
"""Some 10 km: the air above is the same."""
FEWEST_RUNS = 3


def usual_seeing_of_site(
    logbook: Path, latitude_deg: float, longitude_deg: float, name: str | None = None
) -> tuple[float, int, int] | None:
    """Return the usual seeing in the zenith (arcsec, at 550 nm), the nights and the runs behind it; None for too few.

    The median over nights of each night's median, so that one night of many captures counts once. A run belongs to the
    site by its coordinates, or by its name where it has none. A logbook that is not there is not made. Raises
    LogbookError for one that cannot be read.
    """
    if not logbook.is_file():
        return None
    with Logbook(logbook) as book:
        runs = book.select(names=("seeing_arcsec",))
    record = seeing_record(runs.taken(_at(runs, latitude_deg, longitude_deg, name)))
    if len(record.runs) < FEWEST_RUNS or record.usual_arcsec is None:
        return None
    return record.usual_arcsec.value * AT_550_NM, len(record.nights), len(record.runs)


def _at(runs: Runs, latitude_deg: float, longitude_deg: float, name: str | None) -> Truth:
    """Return which runs were made at the site."""
    latitude, longitude = runs.numbers("latitude_deg"), runs.numbers("longitude_deg")
    east = np.abs((longitude - longitude_deg + 180.0) % 360.0 - 180.0)
    near: Truth = (np.abs(latitude - latitude_deg) <= SAME_SITE_DEG) & (east <= 2.0 * SAME_SITE_DEG)
    alike = runs.texts("site").fits(
        lambda site: name is not None and site is not None and site.casefold() == name.casefold()
    )
    return np.where(np.isnan(latitude) | np.isnan(longitude), alike, near)
