"""Simulated captures on disk."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stacker.capture import open_capture
from stacker.cli import simulate as command
from stacker.simulation import Detector, Scenario, TexturedDisc, simulate, write_simulation
from stacker.simulation.writing import KINDS

SHORT = Scenario(scene=TexturedDisc(), frames=4, height_px=48, width_px=64)


@pytest.mark.parametrize(
    ("name", "kind", "detector"),
    [
        ("a.avi", "avi", Detector()),
        ("b.mkv", "ffv1", Detector(bits=12, high_aligned=True)),
        ("c.fits", "fits", Detector(bits=12, mosaic="RGGB", wavelength_nm=640.0)),
        ("d", "png", Detector(bits=12)),
    ],
)
def test_written_captures_read_back_exactly(tmp_path: Path, name: str, kind: str, detector: Detector) -> None:
    """The project's readers return the simulated frames; sidecar and truth stand beside."""
    scenario = replace(SHORT, detector=detector)
    path, sidecar, truth = write_simulation(tmp_path / name, scenario, 3, kind)
    assert sidecar.exists()
    with open_capture(path) as capture:
        assert len(capture) == 4
        assert capture.mosaic == detector.mosaic
        assert capture.circumstances.telescope.aperture_mm == 250.0
        for stored, expected in zip(capture, simulate(scenario, 3), strict=True):
            np.testing.assert_array_equal(stored, expected)
    with np.load(truth) as kept:
        assert kept["tilt_px"].shape == (4, 17, 17, 2)
        assert np.isfinite(kept["strehl"]).all()
        meta = json.loads(str(kept["meta"]))
    assert meta["seed"] == 3
    assert meta["scenario"]["detector"]["bits"] == detector.bits


def test_the_same_call_writes_the_same_bytes(tmp_path: Path) -> None:
    paths = [write_simulation(tmp_path / folder / "a.avi", SHORT, 3, "avi")[0] for folder in ("one", "two")]
    assert paths[0].read_bytes() == paths[1].read_bytes()


def call(*words: str) -> int:
    parser = argparse.ArgumentParser()
    command.add_parser(parser.add_subparsers())
    args = parser.parse_args(["simulate", *words])
    status = args.run(args)
    assert isinstance(status, int)
    return status


def test_command_writes_and_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "with space.fits"
    assert call(str(out), "--frames", "3", "--size-px", "64x48", "--scene", "cratered") == 0
    assert out.exists()
    assert "3 frames" in capsys.readouterr().out
    with open_capture(out) as capture:
        assert capture.shape == (48, 64)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["x.unknown"], "ending"),
        (["x.avi", "--frames", "0"], "a frame"),
        (["x.avi", "--sampling-px", "0.4"], "lambda/D"),
        (["x.avi", "--bits", "12"], "8-bit"),
        (["x.avi", "--blank", "200"], "do not fit"),
    ],
)
def test_impossible_calls_are_one_line_and_leave_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert call(str(tmp_path / words[0]), *words[1:], "--size-px", "48x48") == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not list(tmp_path.iterdir())


def test_the_command_knows_every_kind_and_scene() -> None:
    """The names that help shows are those that can be made."""
    assert list(command.KINDS) == list(KINDS)
    for scene in command.SCENES:
        assert command._scene_named(scene, 0.0)
