"""Small run folders, made once: a planet with a hostile name, a surface of the Sun."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from stacker.capture import Camera, Circumstances, Site, Telescope
from stacker.pipeline import process
from stacker.report.run_page import write_run_page
from stacker.simulation import Air, CrateredSurface, Mishaps, Scenario, Tracking, write_simulation

HOSTILE = """<script>document.title='taken'</script><img src=x onerror="alert(1)"> & "Ångström's" 行"""


@pytest.fixture(scope="session")
def planet_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A banded planet whose name is an attack, with some frames spoilt."""
    folder = tmp_path_factory.mktemp("planet run")
    scenario = Scenario(
        frames=60, height_px=112, width_px=112, air=Air(psf_grid=3), mishaps=Mishaps(torn=1, duplicates=1)
    )
    capture, *_ = write_simulation(folder / "planet of; 'mine'.avi", scenario, 3, "avi")
    said = Circumstances(
        target=HOSTILE,
        start_utc="2031-04-05T21:30:00Z",
        telescope=Telescope(name="Heron <b>", aperture_mm=250.0, focal_length_mm=4200.0),
        camera=Camera(pixel_um=3.0),
        site=Site(name="Old Beacon", latitude_deg=57.3, longitude_deg=-11.4),
    )
    return process(capture, folder / "runs", circumstances=said, workers=1).folder


@pytest.fixture(scope="session")
def sun_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A surface that is said to be the Sun's; nothing is known of the telescope."""
    folder = tmp_path_factory.mktemp("sun")
    scenario = Scenario(
        scene=CrateredSurface(),
        frames=40,
        height_px=96,
        width_px=128,
        tracking=Tracking(drift_x_px=4.0),
        air=Air(psf_grid=3),
    )
    capture, sidecar, _ = write_simulation(folder / "sun.avi", scenario, 4, "avi")
    Path(sidecar).unlink()
    return process(capture, folder / "runs", circumstances=Circumstances(target="Sun"), workers=1).folder


@pytest.fixture(scope="session")
def planet_page(planet_run: Path) -> Path:
    """The page of the planet's run."""
    return write_run_page(planet_run)


@pytest.fixture
def spare_run(planet_run: Path, tmp_path: Path) -> Path:
    """A copy that a test may spoil."""
    folder = shutil.copytree(planet_run, tmp_path / "spare")
    (folder / "report.html").unlink(missing_ok=True)
    return Path(folder)
