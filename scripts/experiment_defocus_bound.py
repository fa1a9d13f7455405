#!/usr/bin/env python3
"""How well can single frames tell a static defocus from air at all? The Cramer-Rao bound, and what is looked at of it.

    OPENBLAS_NUM_THREADS=1 .venv/bin/python scripts/experiment_defocus_bound.py [--frames N] [--screens N]

The object is unknown, so only how frames differ from their mean tells: what part of it each shows in 20 cells of
frequency (5 rings, 4 directions) and how far that part is out of phase, 40 numbers a frame. Their covariance C comes
from simulated wavefronts, the noise from a scene whose amplitude falls as 1/f behind the telescope's own transfer.
Fisher's information of n independent frames about (ln r0, defocus) is n/2 tr(C^-1 dC C^-1 dC') (Kay 1993, Fundamentals
of Statistical Signal Processing, 3.9). The r0 is that of the air which all beams of a patch share.

Prints the smallest possible errors of 0.3 waves peak to valley by all 40 numbers, and by those that the program looks
at (the part that is shown, in its even, twofold and fourfold patterns of direction), against the signal to noise of the
coarsest cell: below a few sigma no method that looks at these cells tells 0.3 waves from air.
"""

from __future__ import annotations

import argparse
from itertools import product

import numpy as np
from experiment_seeing import ACROSS, GAIN_WANDER, Array, draw_screens, recentred, wandering, without_tilt

from stacker.measuring.frame_gains import EDGES, MIDDLES, RINGS, SECTORS
from stacker.simulation.optics import diffraction_mtf

RATIOS = (1.5, 2.0, 2.5, 3.0)
WAVES, OBSTRUCTION = 0.3, 0.25
SIGNALS_TO_NOISE = (30.0, 10.0, 5.0, 3.0, 2.0, 1.0)
STEP, WAVES_STEP = 0.08, 0.03
PATTERNS = np.array([[1, 1, 1, 1], [1, 0, -1, 0], [0, 1, 0, -1], [1, -1, 1, -1]]) / np.array(
    [[2], [2**0.5], [2**0.5], [2]]
)


def covariance(screens: Array, strength: Array, ratio: float, waves: float) -> Array:
    """Return the covariance (2, 20, 2, 20) of what frames show in and out of phase with their mean."""
    level, radius, pupil = without_tilt(screens, OBSTRUCTION)
    phase = level * ((ratio * strength / ACROSS) ** (5 / 6))[:, None, None] + 2 * np.pi * waves * radius**2
    groups, modes = recentred(phase.astype(np.float32), pupil)
    cell = (np.digitize(modes.relative, EDGES) - 1) * SECTORS + (modes.angle * (SECTORS / np.pi)).astype(int) % SECTORS
    inside = (modes.relative >= EDGES[0]) & (modes.relative < EDGES[-1])
    members = np.zeros((len(cell), RINGS * SECTORS), np.float32)
    members[np.flatnonzero(inside), cell[inside]] = 1.0
    shown = []
    for group in groups:
        likeness = group * ((group.sum(0) - group) / (len(group) - 1)).conj()
        parts = np.stack([likeness.real @ members, likeness.imag @ members], 1).astype(float)
        parts /= parts[:, :1].mean(0)
        shown.append(parts - parts.mean(0))
    flat = np.concatenate(shown).reshape(len(screens), -1)
    return np.asarray(flat.T @ flat / (len(flat) - len(groups))).reshape(2, members.shape[1], 2, members.shape[1])


def bound(spread: dict[tuple[int, int], Array], noise: Array, frames: int) -> tuple[float, float]:
    """Return the errors of ln r0 and of the defocus in waves; `spread` holds covariances at steps of (ln r0, waves)."""
    middle = spread[0, 0]
    changes = [
        (spread[1, 0] - spread[-1, 0]) / (2 * STEP),
        (spread[0, 1] - spread[0, -1]) / (2 * WAVES_STEP),
    ]
    towards = [np.linalg.solve(middle + noise, change) for change in changes]
    information = np.array([[0.5 * frames * np.trace(a @ b) for b in towards] for a in towards])
    errors = np.sqrt(np.diag(np.linalg.inv(information)))
    return float(errors[0]), float(errors[1])


def looked_at(whole: Array) -> Array:
    """Return the covariance (20, 20) of the part in phase by pattern of direction, patterns counted as unlike."""
    in_phase = whole.reshape(2, RINGS, SECTORS, 2, RINGS, SECTORS)[0, :, :, 0]
    mixed = np.einsum("ms,rsqt,nt->mrnq", PATTERNS, in_phase, PATTERNS)
    for one, other in product(range(SECTORS), repeat=2):
        if one != other:
            mixed[one, :, other] = 0.0
    return np.asarray(mixed.reshape(RINGS * SECTORS, RINGS * SECTORS))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=200, help="independent ones (default %(default)s)")
    parser.add_argument("--screens", type=int, default=1536, help="simulated wavefronts (default %(default)s)")
    options = parser.parse_args()
    screens, strength = draw_screens(options.screens), wandering(GAIN_WANDER, options.screens)
    # In a cell of f modes or so; a scene's amplitude of 1/f has the power 1/f^2.
    fall = (MIDDLES / MIDDLES[0]) * (diffraction_mtf(MIDDLES[:1]) / diffraction_mtf(MIDDLES)) ** 2
    print("          S/N of the      by all 40 numbers: errors of    by what is looked at:")
    print("  D/r0  coarsest cell   ln r0   waves   0.3 waves at    ln r0   waves   0.3 waves at")
    for ratio in RATIOS:
        steps = [(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)]
        whole = {
            (r, w): covariance(screens, strength, ratio * np.exp(r * STEP), WAVES + w * WAVES_STEP) for r, w in steps
        }
        count = 2 * RINGS * SECTORS
        for level in SIGNALS_TO_NOISE:
            cells = np.repeat(fall / level**2, SECTORS)
            everything = {step: part.reshape(count, count) for step, part in whole.items()}
            all_errors = bound(everything, np.diag(np.tile(cells, 2)), options.frames)
            ours = {step: looked_at(part) for step, part in whole.items()}
            our_errors = bound(ours, np.diag(np.tile(fall / level**2, SECTORS)), options.frames)
            told = "".join(
                f"   {r0:6.3f}  {waves:6.3f} {WAVES / waves:8.1f} sigma" for r0, waves in (all_errors, our_errors)
            )
            print(f"{ratio:6.1f}{level:10.0f}      {told}", flush=True)


if __name__ == "__main__":
    main()
