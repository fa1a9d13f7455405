"""Bring the used frames onto one geometry: a dense displacement field for every frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.geometry import calmness, mean_field
from stacker.alignment.joining import join_halves
from stacker.alignment.level import level_of
from stacker.alignment.mending import find_repair
from stacker.alignment.passes import CLASSES, Plan, State, first_pass, next_pass
from stacker.alignment.planes import PlaneSource
from stacker.alignment.prior import turbulence_modes
from stacker.alignment.record import Alignment
from stacker.alignment.region import Region, plan_region
from stacker.alignment.spread import with_colours_together
from stacker.blas_threads import one_blas_thread
from stacker.calibration.defects import DefectRepair
from stacker.capture.sequence import Capture
from stacker.ranking.plane import shrink
from stacker.ranking.record import Ranking
from stacker.ranking.selection import choose_frames
from stacker.settings import AlignmentSettings

__all__ = ["Alignment", "align", "find_repair"]

FIELD_RMS_PX = 2.4
"""Prior size of the local displacements, one axis; any between 1 and 3 serves (experiment_alignment.py)."""
DEFAULT_CUTOFF_CYC_PER_PX = 1 / 3
"""Used for scaling the rings where the optics are not known: a well-sampled capture."""
SETTLED = 0.06
"""When so little motion is still to come, in resolution elements (rms), the fields have settled."""
SOFTNESS = 0.75
"""Power of gain times squared sharpness by which a frame counts in the mean. The reference wants the gain squared, so
that frames which do not fit it stay out. But over a surface in rough air there is little but speckle where the gain is
measured: weights like the reference's gave a twelfth of the frames all the say (2 to 4 % more error there, 1 % in calm
air, over 52 captures that settled nothing; experiment_keep.py)."""
SMALLEST_BENT_PX = 22.0
"""A disc less across is left where the tracking put it: the error of a field, or of a shift by its few pixels against
a reference, is larger than what it takes away (12, 16 and 20 px: 5 % less error without, 28 px: 1 % more)."""


@dataclass(frozen=True)
class Effort:
    """How many passes are made; many of one step are worth more than few of several: each renews the reference."""

    passes: tuple[tuple[int, int], ...]
    """(binning in units of the fine level, Gauss-Newton steps), made always."""
    more: int
    """Passes like the last one that may follow until the fields have settled: rough air wants them."""
    sampled: int
    """Frames whose power is measured, at least, where there are so many."""
    modes: int
    """Shapes that a tile's field is made of."""


EFFORTS = {"full": Effort(((2, 1), (1, 1)), 4, 200, 200), "quick": Effort(((2, 1),), 0, 25, 100)}


def fine_binning(region: Region, cutoff_cyc_per_px: float) -> int:
    """Return the binning of the finest pass: detail that moves the field must survive it, a small disc too."""
    side = min(region.shape)
    if side < 96:
        return 1
    return 4 if cutoff_cyc_per_px < 0.17 and side >= 384 else 2


@one_blas_thread()
def align(
    capture: Capture,
    ranking: Ranking,
    settings: AlignmentSettings | None = None,
    keep: float | str = "auto",
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
    repair: DefectRepair | None = None,
) -> Alignment:
    """Return the displacement fields of the frames that `keep` (percent of the usable ones, or auto) selects.

    Each half of the frames is followed against a reference of its own, rebuilt after every pass; at the end the second
    half's geometry is laid onto the first's and the common mean warp, weighted by the frames' quality, is taken out.
    `progress(done, total)` counts frames over all passes; `repair` mends raw frames, and is found where nobody has yet.
    The result does not depend on `workers`.
    """
    name = (settings or AlignmentSettings()).effort
    effort = EFFORTS[name]
    frames, half = choose_frames(ranking, keep)
    repair = repair or find_repair(capture, ranking, name, workers)
    region = plan_region(ranking.target, (capture.shape[0], capture.shape[1]))
    known = capture.circumstances.cutoff_cyc_per_px()
    cutoff = known or DEFAULT_CUTOFF_CYC_PER_PX
    fine = fine_binning(region, cutoff)
    schedule = [(fine * factor, steps) for factor, steps in effort.passes]
    step_px = 24.0 if min(region.tile_shape) >= 96 else max(min(region.tile_shape) / 5, 6.0)
    modes = turbulence_modes(region.tile_shape, step_px, FIELD_RMS_PX, effort.modes, workers)
    binnings = {binning for binning, _ in schedule}
    plan = Plan({b: level_of(region, step_px, b) for b in binnings}, cutoff, known is not None, effort.sampled)
    finest = plan.levels[min(binnings)]
    # The ranking counts energy; amplitude is what adds up in a mean.
    sharpness = np.sqrt(np.maximum(np.nan_to_num(ranking.sharpness[frames]), 0))
    sharpness = np.clip(sharpness / max(float(np.median(sharpness)), 1e-12), 0.05, 4.0)
    place = np.argsort(np.argsort(-sharpness, kind="stable"), kind="stable")
    state = State(
        modes,
        half,
        sharpness,
        place * CLASSES // len(frames),
        np.zeros((len(frames), len(region.tiles), modes.count)),
        np.ones(len(frames)),
        np.zeros(len(frames)),
        finest.mean_motion(modes, shrink(region.cut(ranking.target.mask.astype(np.float32), (0, 0)), finest.binning)),
    )
    brightness = ranking.brightness[frames]
    coarse = ranking.coarse_shift_px[frames]
    scale = np.median(brightness) / np.maximum(brightness, 1e-3 * np.median(brightness))
    source = PlaneSource(capture, repair, region, frames, coarse, scale, workers, finest.binning)
    source = with_colours_together(source, sharpness)

    def tell(number: int) -> Callable[[int, int], None] | None:
        total = len(frames) * (max(number, len(effort.passes)) + 1)
        return (lambda done, _: progress(number * len(frames) + done, total)) if progress else None

    first_pass(source, state, plan, schedule[0][0], tell(0))
    schedule += [schedule[-1]] * effort.more
    moved_px: list[float] = []
    for number, (binning, steps) in enumerate(schedule):
        following = schedule[min(number + 1, len(schedule) - 1)][0]
        before = state.coefficients.copy()
        first, last = number == 0, number + 1 == len(schedule)
        next_pass(source, state, plan, binning, following, steps, tell(number + 1), with_patches=first, last=last)
        moved_px.append(_moved_px(before, state, plan))
        if effort.more and number + 1 >= len(effort.passes) and _to_come(moved_px) < SETTLED / cutoff:
            break
    bent = ranking.target.kind == "surface" or 2 * ranking.target.radius_px >= SMALLEST_BENT_PX
    return _conclude(state, plan, schedule[-1][0], source, step_px, bent)


def _moved_px(before: NDArray[np.float64], state: State, plan: Plan) -> float:
    """Return by how much the local fields of a few frames differ from those before, rms px an axis."""
    level = plan.levels[max(plan.levels)]
    sample = np.linspace(0, len(before) - 1, min(len(before), 20)).astype(int)
    moves = [level.displacement(state.modes, state.coefficients[k] - before[k]) for k in sample]
    return float(np.sqrt(np.mean([part.var() for move in moves for part in move])))


def _to_come(moved_px: list[float]) -> float:
    """Return how far further passes would still move the points, if each moves them less than the last by one ratio."""
    before, last = moved_px[-2:]
    return last * last / (before - last) if last < before else np.inf


def _conclude(state: State, plan: Plan, binning: int, source: PlaneSource, step_px: float, bent: bool) -> Alignment:
    level, coarsest, frames = plan.levels[binning], plan.levels[max(plan.levels)], source.frames
    warp = np.zeros((2, *state.coefficients.shape[1:]))
    if not bent:
        state.coefficients[...] = 0
    elif len(state.references) == 2:
        first, second = state.references
        field = join_halves(first, second, level, plan.rings(binning), state.modes, plan.cutoff_known)
        state.coefficients[state.half == 1] += field
        warp[1] = field
    mean = mean_field(state.coefficients, state.gain, calmness(state.sharpness))
    state.coefficients -= mean
    weight = (state.gain * state.sharpness**2) ** SOFTNESS
    motion = np.einsum("fto,ato->fa", state.coefficients, state.target_mean)
    sample = np.linspace(0, len(frames) - 1, min(len(frames), 40)).astype(int)
    fields = np.array([coarsest.displacement(state.modes, state.coefficients[order]) for order in sample])
    variance = state.shift_variance if state.shift_variance is not None else np.zeros(len(frames))
    return Alignment(
        region=source.region,
        modes=state.modes,
        step_px=step_px,
        frames=frames,
        half=state.half,
        coarse_px=source.coarse_px,
        coefficients=state.coefficients.astype(np.float32),
        half_warp=warp - mean,
        gain=state.gain / np.median(state.gain),
        weight=weight / weight.sum(),
        shift_px=source.coarse_px + motion,
        shift_error_px=np.sqrt(variance),
        repair=source.repair,
        scale=source.scale,
        field_rms_px=float(np.sqrt((fields - fields.mean((2, 3), keepdims=True)).var())),
    )
