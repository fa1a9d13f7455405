"""The plan's usual seeing is that of the site's nights on record; the file's setting is what is left without them."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from numpy.testing import assert_allclose

from stacker.logbook import Logbook, LoggedRun
from stacker.logbook.site_seeing import usual_seeing_of_site

MakeRun = Callable[..., LoggedRun]
Command = Callable[..., Any]
PLAN = """
[site]
name = "Old Beacon"
latitude_deg = 52.2
longitude_deg = 13.1
seeing_arcsec = 2.5
[night]
date = 2026-11-25
targets = ["Jupiter"]
[[telescope]]
name = "ten inch"
aperture_mm = 254
focal_length_mm = 1200
[[camera]]
name = "planetary"
pixel_um = 2.9
"""


def _night(make_run: MakeRun, night: int, seeing: float, count: int, **site: Any) -> list[LoggedRun]:
    told = {"name": "Old Beacon", "latitude_deg": 52.21, "longitude_deg": 13.0, **site}
    runs = [
        make_run(10 * night + n, night=f"2031-04-0{night}", measured={"seeing_arcsec": (seeing, 0.1)})
        for n in range(count)
    ]
    return [replace(run, circumstances={**run.circumstances, "site": told}) for run in runs]


@pytest.fixture
def book(tmp_path: Path, make_run: MakeRun) -> Path:
    """Return a logbook of three nights at the site, and one far away."""
    path = tmp_path / "book.sqlite"
    with Logbook(path) as opened:
        opened.record(_night(make_run, 1, 1.0, 9))
        opened.record(_night(make_run, 2, 1.4, 2))
        opened.record(_night(make_run, 3, 3.0, 1))
        opened.record(_night(make_run, 4, 0.5, 20, name="the mountain", latitude_deg=28.3, longitude_deg=-16.5))
    return path


def test_every_night_counts_once_and_other_sites_do_not(book: Path) -> None:
    """Medians 1.0, 1.4 and 3.0: 1.4 at 500 nm is 1.4 / 1.1^0.2 at 550 nm (Fried 1966)."""
    found = usual_seeing_of_site(book, 52.2, 13.1, "Old Beacon")
    assert found is not None
    assert_allclose(found, (1.4 * 1.1**-0.2, 3, 12), rtol=1e-9)
    assert usual_seeing_of_site(book, -30.0, -70.0, "Old Beacon") is None
    assert usual_seeing_of_site(book.with_name("none.sqlite"), 52.2, 13.1) is None
    assert not book.with_name("none.sqlite").exists()


def test_across_the_date_line_and_by_name_without_coordinates(tmp_path: Path, make_run: MakeRun) -> None:
    path = tmp_path / "book.sqlite"
    with Logbook(path) as opened:
        opened.record(_night(make_run, 1, 1.0, 3, latitude_deg=-17.0, longitude_deg=-179.95))
        opened.record(_night(make_run, 2, 2.0, 3, name="the garden", latitude_deg=None, longitude_deg=None))
    assert usual_seeing_of_site(path, -17.0, 179.98) == (pytest.approx(1.0 * 1.1**-0.2), 1, 3)
    assert usual_seeing_of_site(path, 52.0, 13.0, "The Garden") == (pytest.approx(2.0 * 1.1**-0.2), 1, 3)


def test_the_plan_takes_it_and_the_setting_stays_as_the_fallback(book: Path, tmp_path: Path, stillair: Command) -> None:
    file = tmp_path / "garden.toml"
    file.write_text(PLAN, encoding="utf-8")

    def told(*words: object) -> tuple[float, str]:
        plan = json.loads(stillair("plan", file, "--json", *words).out)
        return plan["seeing_arcsec"], plan["seeing_from"]

    assert told("--logbook", book) == (pytest.approx(1.374, abs=0.001), "median of 3 nights in the logbook, 12 runs")
    assert told("--logbook", "none") == (2.5, "setting")
    assert told("--logbook", tmp_path / "empty.sqlite") == (2.5, "setting")
    assert told("--logbook", book, "--seeing-arcsec", 1.1) == (1.1, "given")
    broken = tmp_path / "broken.sqlite"
    broken.write_text("not a database " * 99)
    done = stillair("plan", file, "--json", "--logbook", broken)
    assert done.status == 0 and json.loads(done.out)["seeing_from"] == "setting"
    assert "usual seeing from the file: " in done.err and "is no logbook" in done.err
