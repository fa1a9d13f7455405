"""A run's labelled picture: the finished picture as it is, with the run's words below."""

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from stacker.capture.circumstances import Camera, Circumstances, Telescope
from stacker.measuring.witness import Witness
from stacker.report.labelling import label_for, labelled
from stacker.sky.ephemeris import look_at


def _capture(**known: Any) -> Any:
    return SimpleNamespace(circumstances=Circumstances(**known), times_utc=None, name="third run")


def test_the_words_are_the_runs_own() -> None:
    capture = _capture(target="saturn", telescope=Telescope("ten inch"), camera=Camera(mirrored=True))
    witness = Witness(look_at("saturn", datetime(2031, 4, 5, 21, tzinfo=UTC)), north_angle_deg=30.0)
    label = label_for(capture, witness, {"resolution_arcsec": 0.6, "scale_arcsec_per_px": 0.2, "seeing_arcsec": 2.0})
    assert (label.target, label.telescope, label.resolution_arcsec, label.seeing_arcsec) == (
        "Saturn",
        "ten inch",
        0.6,
        2.0,
    )
    assert label.mirrored and label.north_angle_deg == 30.0 and label.scale_arcsec_per_px == 0.2


def test_an_unknown_target_keeps_its_own_name_and_time() -> None:
    label = label_for(_capture(target="Ambrel", start_utc="2031-04-05T21:30:00Z"), Witness(), {})
    assert label.target == "Ambrel" and label.when_utc == datetime(2031, 4, 5, 21, 30, tzinfo=UTC)
    assert label_for(_capture(), Witness(), {}).target == "third run"


@pytest.mark.parametrize("shape", [(90, 120), (90, 120, 3)])
@pytest.mark.parametrize("north", [None, 0.0])
def test_the_picture_above_the_label_is_untouched(shape: tuple[int, ...], north: float | None) -> None:
    """Where north is unknown, or up already, north up changes nothing."""
    shown = np.random.default_rng(0).integers(0, 65536, shape).astype(np.uint16)
    before = shown.copy()
    drawn = labelled(shown, _capture(), Witness(north_angle_deg=north), {}, north_up=True)
    left = (drawn.shape[1] - shape[1]) // 2
    assert (drawn[: shape[0], left : left + shape[1]] == shown >> 8).all() and (shown == before).all()
