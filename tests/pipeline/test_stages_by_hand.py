"""A notebook user's way through the stages reaches the command's own picture."""

from __future__ import annotations

from typing import Any

import numpy as np

import stacker
from stacker.settings import RankingSettings


def test_the_stages_one_by_one_give_what_process_wrote(surface: Any) -> None:
    """open_capture, rank, align, stack in this order, on their own: the same picture but for the laid-out zero."""
    with stacker.open_capture(surface.path) as capture:
        ranking = stacker.rank(capture, RankingSettings())
        alignment = stacker.align(capture, ranking)
        linear = stacker.stack(capture, ranking, alignment)
        metrics = stacker.measure(capture, ranking, alignment, linear)
    assert metrics["frames_used"] == surface.run.metrics["frames_used"]
    written = surface.image()
    assert linear.image.shape == written.shape
    # `process` lays the zero of a drifting surface at the middle of its drift, by whole pixels.
    ranked = np.nanmedian(ranking.coarse_shift_px[ranking.usable], axis=0)
    moved = np.roll(linear.image, tuple(-2 * np.rint(ranked / 2).astype(int)), (0, 1))
    inner = np.s_[24:-24, 24:-24]
    assert np.corrcoef(moved[inner].ravel(), written[inner].ravel())[0, 1] > 0.98
