"""Passes over the used frames: each follows every frame against its half's reference and rebuilds that reference."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment.following import follow
from stacker.alignment.level import Inside, Level
from stacker.alignment.planes import Cut, PlaneSource
from stacker.alignment.prior import Modes
from stacker.alignment.template import (
    PowerSum,
    Rings,
    Template,
    Transfer,
    build_template,
    measure_transfer,
    power,
    rings_of,
    spectrum,
)
from stacker.interpolation import interpolate
from stacker.parallel import ordered_map

Array = NDArray[np.float32]
Progress = Callable[[int, int], None]
CLASSES = 3
"""Frames of like sharpness share one blur and one whitening."""
LEAST_GAIN = 0.02
FIRST_SAMPLED = 50
"""Frames whose power tells what to expect in the first, coarse pass: as good as 200 (32 stacks, .06 % apart)."""


@dataclass
class Tally:
    """Running sums of one half during a pass."""

    total: Array
    cover: Array
    mean: NDArray[np.float32]
    power: NDArray[np.float64]
    measured: NDArray[np.intp]
    count: NDArray[np.intp]
    share: NDArray[np.float64]

    @classmethod
    def empty(cls, shape: tuple[int, int], rings: int) -> Tally:
        """Return sums over no frames."""
        return cls(
            np.zeros(shape, np.float32),
            np.zeros(shape, np.float32),
            np.zeros((CLASSES, *shape), np.float32),
            np.zeros((CLASSES, rings)),
            np.zeros(CLASSES, np.intp),
            np.zeros(CLASSES, np.intp),
            np.zeros(CLASSES),
        )

    def add(self, sight: Sight, kind: int, weight: float) -> None:
        """Add one dewarped frame of class `kind`, with `weight` in the reference."""
        if weight > 0:
            image = sight.image
            self.cover += np.float32(weight)
            if sight.inside is not None:
                image = np.asarray(cv2.copyTo(image, sight.inside.mask), np.float32)
                for rim in sight.inside.rims:
                    self.cover[rim][sight.inside.mask[rim] == 0] -= np.float32(weight)
            cv2.scaleAdd(image, weight, self.total, dst=self.total)
        cv2.add(self.mean[kind], sight.image, dst=self.mean[kind])
        self.count[kind] += 1
        self.share[kind] += weight

    def take(self, other: Tally) -> None:
        """Add the sums over other frames."""
        for own, more in zip(vars(self).values(), vars(other).values(), strict=True):
            own += more

    def transfer(self, kind: int, rings: Rings, reference: NDArray[np.complex64], window: Array) -> Transfer:
        """Return how class `kind` relates to the reference, given by its spectrum."""
        count = max(int(self.count[kind]), 1)
        share = self.share[kind] / count / max(float(self.share.sum()), 1e-12)
        mean = spectrum(self.mean[kind] / count, window)
        ring_power = self.power[kind] / max(int(self.measured[kind]), 1)
        return measure_transfer(rings, reference, mean, ring_power, float(min(share, 0.5)))

    def reference(self) -> Array:
        """Return the weighted mean; where no frame of weight looked, the plain mean of all."""
        plain = self.mean.sum(0) / max(int(self.count.sum()), 1)
        return np.where(self.cover > 0, self.total / np.maximum(self.cover, 1e-12), plain).astype(np.float32)


@dataclass(frozen=True)
class Following:
    """How one frame was followed in a pass."""

    order: int
    coefficients: NDArray[np.float64]
    precision: float
    gain: float


@dataclass(frozen=True)
class Sight:
    """One frame as a pass leaves it."""

    following: Following
    image: Array
    """(h, w) dewarped frame at the binning of the next pass."""
    inside: Inside | None


@dataclass
class State:
    """What is known of the used frames between passes."""

    modes: Modes
    half: NDArray[np.intp]
    sharpness: NDArray[np.float64]
    """(M,) q, median 1."""
    kind: NDArray[np.intp]
    """(M,) class of sharpness, 0 the sharpest."""
    coefficients: NDArray[np.float64]
    gain: NDArray[np.float64]
    precision: NDArray[np.float64]
    target_mean: NDArray[np.float64]
    """(2, tiles, modes) from coefficients to the mean displacement of the target."""
    references: list[Array] = field(default_factory=list)
    """One a half, at the binning of the pass that follows."""
    transfers: list[list[Transfer]] = field(default_factory=list)
    """How each class of frames relates to the reference of its half."""
    shift_variance: NDArray[np.float64] | None = None

    def merit(self) -> NDArray[np.float64]:
        """Return (M,) weight of each frame: squared gain times sharpness."""
        return np.asarray(self.gain**2 * self.sharpness)

    def reference_weight(self, best: float) -> NDArray[np.float64]:
        """Return the merit of the best part of each half, 0 for the rest."""
        merit = self.merit()
        weight = np.zeros_like(merit)
        for half in (0, 1):
            members = np.flatnonzero(self.half == half)
            chosen = members[np.argsort(-merit[members], kind="stable")][: max(int(best * len(members)), 5)]
            weight[chosen] = merit[chosen]
        return weight


@dataclass(frozen=True)
class Plan:
    """The passes to make."""

    levels: dict[int, Level]
    cutoff_cyc_per_px: float
    cutoff_known: bool
    sampled: int
    """Frames whose power is measured in a pass, at least, where there are so many."""

    def rings(self, binning: int) -> Rings:
        """Return the rings of the region at one binning."""
        return rings_of(self.levels[binning].rows.shape, binning, self.cutoff_cyc_per_px)


def gain_probe(reference: Array, level: Level, rings: Rings) -> Array:
    """Return the image whose product with a dewarped frame is its gain on the reference at 0.2-0.5 of the cutoff.

    By Parseval's theorem that product is the ratio of the cross power to the reference's own in that band.
    """
    transform = spectrum(reference, level.window) * rings.band
    own = float((power(transform) * rings.multiplicity).sum()) + 1e-30
    probe = np.fft.irfft2(transform, s=reference.shape) * level.window
    # A frame's mean does not count.
    probe -= level.window * (probe.sum() / level.window.sum())
    return np.asarray(probe * (reference.size / own), np.float32)


def _tallies(level: Level, rings: Rings) -> list[Tally]:
    """Return sums over no frames, one a half."""
    return [Tally.empty(level.rows.shape, len(rings.samples)) for _ in (0, 1)]


def _sight(cut: Cut, at: Level, modes: Modes, coefficients: NDArray[np.float64]) -> tuple[Array, Inside | None]:
    maps = at.maps(modes, coefficients, cut.shift)
    return interpolate(cut.binned(at.binning), maps), at.seen(maps, cut.bounds(at.binning))


def first_pass(source: PlaneSource, state: State, plan: Plan, binning: int, progress: Progress | None) -> None:
    """Build the first reference of each half from its sharpest quarter, coarsely shifted only.

    What blur and noise leave of it in each class is measured on a sample of the frames.
    """
    level = plan.levels[binning]
    weight, sampled = state.reference_weight(0.25), at_least(len(state.half), min(FIRST_SAMPLED, plan.sampled))
    wanted = [order for order in range(len(weight)) if weight[order] > 0 or order in sampled]

    def look(cut: Cut) -> Sight:
        start = state.coefficients[cut.order]
        image, inside = _sight(cut, level, state.modes, start)
        return Sight(Following(cut.order, start, 0.0, 1.0), image, inside)

    _gather(source, look, state, weight, sampled, plan, binning, progress, wanted)


def next_pass(
    source: PlaneSource,
    state: State,
    plan: Plan,
    binning: int,
    next_binning: int,
    steps: int,
    progress: Progress | None,
    with_patches: bool = False,
    last: bool = False,
) -> None:
    """Follow every frame at one binning, then rebuild the references for the next from the better half.

    `with_patches` finds a first field before the steps; after the `last` pass nobody asks for transfers.
    """
    level, target = plan.levels[binning], plan.levels[next_binning]
    probes = [gain_probe(reference, level, plan.rings(binning)) for reference in state.references]
    templates = _templates(state, plan, binning, with_patches, source.workers)

    def look(cut: Cut) -> Sight:
        half = state.half[cut.order]
        template = templates[half][state.kind[cut.order]]
        image = cut.binned(binning)
        coefficients, precision = follow(
            image, level, state.modes, template, state.coefficients[cut.order], cut.shift, cut.bounds(binning), steps
        )
        maps = level.maps(state.modes, coefficients, cut.shift)
        dewarped = interpolate(image, maps)
        gain = max(float(np.vdot(probes[half], dewarped)), LEAST_GAIN)
        if next_binning == binning:
            inside = level.seen(maps, cut.bounds(binning))
        else:
            dewarped, inside = _sight(cut, target, state.modes, coefficients)
        return Sight(Following(cut.order, coefficients, precision, gain), dewarped, inside)

    weight, sampled = state.reference_weight(0.5), range(0) if last else at_least(len(state.half), plan.sampled)
    _gather(source, look, state, weight, sampled, plan, next_binning, progress, templates=templates, last=last)


def at_least(frames: int, wanted: int) -> range:
    """Return so many of the numbers below `frames` or somewhat more, evenly spread; all where there are no more."""
    return range(0, frames, max(1, frames // wanted))


def _templates(state: State, plan: Plan, binning: int, with_patches: bool, workers: int) -> list[list[Template]]:
    """Return the templates of each half, one a class."""
    level, rings = plan.levels[binning], plan.rings(binning)

    def build(job: tuple[Array, Transfer]) -> Template:
        return build_template(*job, rings, level, state.modes, plan.cutoff_known, with_patches)

    halves = zip(state.references, state.transfers, strict=True)
    jobs = [(reference, transfer) for reference, classes in halves for transfer in classes]
    built = list(ordered_map(build, jobs, workers))
    return [built[first : first + CLASSES] for first in range(0, len(built), CLASSES)]


def _gather(
    source: PlaneSource,
    look: Callable[[Cut], Sight],
    state: State,
    weight: NDArray[np.float64],
    sampled: range,
    plan: Plan,
    binning: int,
    progress: Progress | None,
    orders: Sequence[int] | None = None,
    templates: list[list[Template]] | None = None,
    last: bool = False,
) -> None:
    """Look at the frames of a pass, centre the geometry of each half and note how its classes relate to it.

    Each has a `weight` in the reference; the power of those `sampled` is measured. `templates` are those that the
    frames were followed against, if they were.
    """
    level, rings = plan.levels[binning], plan.rings(binning)

    def add_up(cuts: Iterable[Cut]) -> tuple[list[Tally], list[Following]]:
        few, followed = _tallies(level, rings), []
        powers: dict[tuple[int, int], PowerSum] = defaultdict(lambda: PowerSum(level.window))
        for cut in cuts:
            sight, half, kind = look(cut), int(state.half[cut.order]), int(state.kind[cut.order])
            few[half].add(sight, kind, float(weight[cut.order]))
            if cut.order in sampled:
                powers[half, kind].add(sight.image)
            followed.append(sight.following)
        for (half, kind), summed in powers.items():
            few[half].power[kind] = rings.sum(summed.total())
            few[half].measured[kind] = summed.count
        return few, followed

    tallies, gain = _tallies(level, rings), np.ones_like(state.gain)
    for few, followed in source.each_batch(add_up, progress, orders, quick=templates is None):
        for tally, more in zip(tallies, few, strict=True):
            tally.take(more)
        for frame in followed:
            state.coefficients[frame.order] = frame.coefficients
            state.precision[frame.order] = frame.precision
            gain[frame.order] = frame.gain
    state.references, state.transfers = [], []
    state.shift_variance = np.full(len(gain), np.nan)
    for half, tally in enumerate(tallies):
        members = np.flatnonzero(state.half == half)
        if not len(members):
            continue
        state.gain[members] = gain[members] / np.median(gain[members])
        if templates is not None:
            for order in members:
                normals = templates[half][state.kind[order]].tiles
                state.shift_variance[order] = sum(
                    normal.variance(state.target_mean[:, tile], state.precision[order]).mean()
                    for tile, normal in enumerate(normals)
                )
        reference = tally.reference()
        # Frames in better air stand straighter: their mean geometry is the best guess of the true one.
        mean = np.average(state.coefficients[members], axis=0, weights=state.gain[members])
        state.coefficients[members] -= mean
        straight = interpolate(reference, level.maps(state.modes, -mean, np.zeros(2)), "cubic")
        if not last:
            transform = spectrum(reference, level.window)
            state.transfers.append([tally.transfer(kind, rings, transform, level.window) for kind in range(CLASSES)])
        state.references.append(straight)
