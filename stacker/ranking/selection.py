"""Which frames are used: the best part of each half, halves interleaved in time so that both see the same air."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stacker.ranking.record import Ranking

HALF_AS_SHARP = 0.25
"""Of the energy of detail in the frames that count: such frames show half as much of it in amplitude. In rough moments
the air bends frames more than they add; the mean weighs them so little that leaving them out wins a tenth of the excess
over the best share that taking all has, and far more over a fixed 20 or 50 % (experiment_keep.py)."""
BLOCK_FRAMES = 20
"""Neighbouring frames share their air: blocks, not single frames, alternate between the halves."""
FEWEST_FOR_HALVES = 8


def choose_frames(ranking: Ranking, keep: float | str) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return (frames, half): the used frames' numbers, rising, and the half (0 or 1) that each belongs to.

    `keep` is the percentage of the usable frames, each half taking its own sharpest; `auto` is `auto_percent`. Fewer
    than 8 frames make one half only.
    """
    usable = np.flatnonzero(ranking.usable)
    fraction = (auto_percent(ranking) if keep == "auto" else float(keep)) / 100
    wanted = max(1, round(fraction * len(usable)))
    if wanted < FEWEST_FOR_HALVES:
        return np.sort(ranking.order[:wanted]), np.zeros(wanted, np.intp)
    block = int(np.clip(len(usable) // 10, 1, BLOCK_FRAMES))
    half = np.arange(len(usable)) // block % 2
    chosen = np.zeros(len(usable), bool)
    for side in (0, 1):
        members = np.flatnonzero(half == side)
        count = max(1, round(fraction * len(members)))
        chosen[members[np.argsort(-ranking.sharpness[usable[members]], kind="stable")][:count]] = True
    return usable[chosen], half[chosen].astype(np.intp)


def auto_percent(ranking: Ranking) -> float:
    """Return the percentage of the usable frames that show at least half as much detail as those that count.

    Those are the frames' mean sharpness, each weighed by its own; the mean of the frames weighs the rest further.
    """
    sharpness = np.maximum(np.nan_to_num(ranking.sharpness[ranking.usable]), 0.0)
    total = float(sharpness.sum())
    if total <= 0:
        return 100.0
    count = float(np.square(sharpness).sum()) / total
    return 100.0 * float((sharpness >= HALF_AS_SHARP * count).mean())


def centred(ranking: Ranking) -> Ranking:
    """Return the ranking with the zero of its shifts at the median place of a surface, by even whole pixels.

    The stack has the zero's frame: laid at the middle of the drift, most frames see most of it. A disc stays.
    """
    if ranking.target.kind == "disc":
        return ranking
    middle = 2 * np.rint(np.nanmedian(ranking.coarse_shift_px[ranking.usable], axis=0) / 2)
    row, column = ranking.target.centre_px
    target = replace(ranking.target, centre_px=(row + middle[0], column + middle[1]))
    return replace(ranking, coarse_shift_px=ranking.coarse_shift_px - middle, target=target)
