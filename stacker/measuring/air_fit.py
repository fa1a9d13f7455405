"""D / r0 and static defocus from the spectral ratio and from how the sharpness of single exposures varies."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.fitting import fit_between, robust_cost, spread
from stacker.measuring.frame_gains import MIDDLES, ExpectedGains, GainSpread
from stacker.measuring.short_exposures import LEAST_RATIO, MOST_DEFOCUS_WAVES, MOST_RATIO, ShortExposures
from stacker.measuring.spectral_ratio import SpectralRatio

Curve = NDArray[np.float64]

FEWEST_RINGS = 3
_LOWEST, _HIGHEST = 0.12, 0.65
_LEAST_RATIO_KEPT = 0.03
_LEAST_SNR = 0.12
_MOST_ERROR = 0.25
_LOST_FLOOR, _LOST_SHARE = 0.01, 0.05
_EVEN_FLOOR, _EVEN_SHARE = 0.01, 0.05
_NOISE_DOUBT = 0.02
# What is expected before looking, as (centre, sigma) of natural logarithms. Settled by scripts/experiment_seeing.py.
_SPECKLE_LEFT, _SPECKLE_SIGMA = -0.38, 0.2
"""Averaging over a patch and over the exposure takes some of the speckle..."""
_SPECKLE_OF_WARP = 1.9
"""...and warp within the patch, where beams part, looks like more of it; defocus does not add to that."""
_JITTER = (float(np.log(0.01)), 1.0)
"""(lambda / D)^2 of motion that recentring leaves, noise of shifts included."""
_WARP_SIGMA = 0.4
_UNKNOWN_WARP = 0.02
_TYPICAL_HEIGHT_M = 2000.0
"""Where much of the air's high turbulence sits on a usual night (common practice, no source)."""
NOTICED_WAVES = 0.3
"""Static defocus, peak to valley, that ought to be noticed."""
_DEFOCUS_SIGMA = 0.6
_STARTS = (1.8, 4.5)
_GAINS_LEFT = -0.1
"""ln of the gains' variance that averaging over the exposure leaves."""
_SHARED, _SHARED_OF_BEAMS, _SHARED_SIGMA = -0.05, -0.35, 0.1
"""ln of the D/r0 of what all beams of a patch pass, over that of all the air: layers high above, which each beam sees
elsewhere, average out over the patch and only dim its detail (Fried 1966: a transfer of its own)."""
_UNLIKE, _UNLIKE_OF_BEAMS, _UNLIKE_SIGMA = 0.005, 0.05, 1.0
_UNLIKE_AT = 0.5 + 0.5 * (MIDDLES / 0.4) ** 2
"""Variance of a ring's gain, at 0.4 of the cutoff, by warp that moves one detail of a patch against another."""
_GAINS = 180.0
"""Independent gains behind their covariance, fewer where beams part within a patch: frames, sectors and patches."""
_COST_OF_GAINS = 3.5
"""What they cost on simulated captures."""
_GAIN_FLOOR = 0.01
_LEAST_EIGENVALUE = 0.1


@dataclass(frozen=True)
class AirFit:
    """The fit without and with static defocus; errors are one sigma of the fit alone."""

    ratio: float
    """D / r0 if the telescope is in focus."""
    ratio_error: float
    """Of its natural logarithm."""
    ratio_defocused: float
    """D / r0 if it need not be."""
    ratio_defocused_error: float
    defocus_waves: float
    """Peak to valley."""
    defocus_waves_error: float
    gain: float
    """Half the cost that defocus saves."""
    price: float
    """Half the cost that `NOTICED_WAVES` of defocus or more would add."""
    ratio_blurred: float
    """D / r0 if the defocus is `NOTICED_WAVES` or more."""
    misfit: float
    """Mean cost with defocus left free, of the rings' curves or of the gains, whichever is more; 1 is expected."""
    rings: int
    beam_apart: float
    """Distance that the beams of a patch's ends have at 2 km, in apertures."""

    @property
    def parted(self) -> float:
        """How far the beams of a patch part: 0 for not at all, 1 for entirely."""
        return _parted(self.beam_apart)


def fit_air(seen: SpectralRatio, obstruction_ratio: float, aperture_mm: float, patch_rad: float) -> AirFit | None:
    """Fit D/r0 and defocus; `patch_rad` is the angle that a patch spans. None where fewer than 3 rings hold signal."""
    apart = _beams_apart(aperture_mm, patch_rad)
    model = _model(seen, obstruction_ratio, apart)
    if model is None:
        return None
    low = np.array([np.log(LEAST_RATIO), -2.5, -9.0, -9.0, 0.0, -1.2, -9.0])
    high = np.array([np.log(MOST_RATIO), 1.5, -1.0, 0.0, MOST_DEFOCUS_WAVES, 0.3, 0.0])
    focused, blurred = high.copy(), low.copy()
    focused[4], blurred[4] = 0.0, NOTICED_WAVES
    sharp, cost = model.best([(q, 0.0) for q in _STARTS], low, focused)
    close = float(np.exp(sharp[0]))
    lower = max(0.65 * close, 1.0)
    calm = max(0.4 * close, 1.0)
    soft, soft_cost = model.best([(close, 0.1), (calm, 0.5)], low, high, sharp)
    out, out_cost = model.best([(lower, 0.35)], blurred, high, sharp) if soft[4] < NOTICED_WAVES else (soft, soft_cost)
    # Fits from afar end in hollows of their own: what is allowed more is never worse.
    soft, soft_cost = min((soft, soft_cost), (sharp, cost), (out, out_cost), key=lambda fit: fit[1])
    error, soft_error = spread(model.misfit, sharp, low, focused), spread(model.misfit, soft, low, high)
    return AirFit(
        close, float(error[0]), float(np.exp(soft[0])), float(soft_error[0]), float(soft[4]), float(soft_error[4]),
        0.5 * (cost - soft_cost), 0.5 * (out_cost - cost), float(np.exp(out[0])),
        model.mean_cost(soft), int(model.used.sum()), apart,
    )  # fmt: skip


def foreseen(
    seen: SpectralRatio, obstruction_ratio: float, aperture_mm: float, patch_rad: float, ratio: float, waves: float
) -> SpectralRatio | None:
    """Return what air of D/r0 `ratio` and `waves` of defocus would show at the noise and the errors of `seen`.

    The fit to it tells how much of a defocus a capture can tell: what it saves there is what it saves in the mean
    (the Asimov data set of Cowan et al. 2011, Eur. Phys. J. C 71, 1554). None where fewer than 3 rings hold signal.
    """
    model = _model(seen, obstruction_ratio, _beams_apart(aperture_mm, patch_rad))
    if model is None:
        return None
    p = model.start(ratio, waves)
    lost, even, gains = seen.lost.copy(), seen.even.copy(), seen.gains
    lost[model.used], even[model.used] = model.curves(p)
    if gains is not None:
        gains = replace(gains, covariance=model.spread_of_gains(p, gains) - gains.noise)
    return replace(seen, lost=lost, even=even, gains=gains)


def _beams_apart(aperture_mm: float, patch_rad: float) -> float:
    return patch_rad * _TYPICAL_HEIGHT_M / (1e-3 * aperture_mm)


def _parted(apart: float) -> float:
    return apart / (1.0 + apart)


def _model(seen: SpectralRatio, obstruction_ratio: float, apart: float) -> _Model | None:
    used = _usable(seen)
    if used.sum() < FEWEST_RINGS:
        return None
    expected, gains = ShortExposures(seen.frequency[used], obstruction_ratio), ExpectedGains(obstruction_ratio)
    return _Model(seen, used, expected, gains, _warp(seen.apart, apart), _parted(apart))


@dataclass(frozen=True)
class _Model:
    """What exposures should show for (ln D/r0, ln speckle left, ln jitter, ln warp, defocus).

    Two more are of the gains alone: ln of the part of D/r0 that all beams of a patch share, and ln of the variance that
    has no likeness.
    """

    seen: SpectralRatio
    used: NDArray[np.bool_]
    expected: ShortExposures
    gains: ExpectedGains
    warp: float
    parted: float

    @property
    def left(self) -> float:
        """The natural logarithm of the speckle that is expected to be left."""
        return _SPECKLE_LEFT + _SPECKLE_OF_WARP * self.parted**2

    @property
    def shared(self) -> float:
        """The natural logarithm of the part of D/r0 that a patch's beams are expected to share."""
        return _SHARED + _SHARED_OF_BEAMS * self.parted

    @property
    def unlike(self) -> float:
        """The natural logarithm of the gains' variance that is expected to have no likeness."""
        return math.log(_UNLIKE + _UNLIKE_OF_BEAMS * self.parted)

    def curves(self, p: Curve) -> tuple[Curve, Curve]:
        """Return what is lost and the even speckle.

        Jitter of variance v along an axis turns phases: it lessens the mean's power by exp(-4 pi^2 v f^2), and the
        squares' as much again. Warp within the patch scatters light without a preferred phase.
        """
        f = self.seen.frequency[self.used]
        left, jitter, warp = np.exp(p[1:4])
        own = left * math.exp(-_SPECKLE_OF_WARP * self.parted**2)
        # Warp takes the same from detail that is out of focus.
        (amount, even), (in_focus, even_in_focus) = (self._speckle(float(p[0]), waves) for waves in (float(p[4]), 0.0))
        amount, even = (own * a + (left - own) * b for a, b in ((amount, in_focus), (even, even_in_focus)))
        turned = 4.0 * np.pi**2 * f**2
        return np.log1p(amount) + turned * (jitter + warp), (1.0 + even) * np.exp(-turned * jitter) - 1.0

    @cached_property
    def _speckle(self) -> Callable[[float, float], tuple[Curve, Curve]]:
        # Derivatives along the other parameters ask for the same again.
        return lru_cache(maxsize=4)(lambda log_ratio, waves: self.expected.speckle(math.exp(log_ratio), waves))

    @cached_property
    def _alike(self) -> Callable[[float, float], Curve]:
        return lru_cache(maxsize=4)(lambda log_ratio, waves: self.gains.covariance(math.exp(log_ratio), waves))

    @cached_property
    def measured(self) -> tuple[Curve, Curve, Curve, Curve]:
        """What is lost and its error, the even speckle and its error; the table's own errors are in them."""
        seen, used = self.seen, self.used
        lost, even = seen.lost[used], seen.even[used]
        noise = _NOISE_DOUBT / seen.snr[used]
        error = np.sqrt(seen.lost_error[used] ** 2 + _LOST_FLOOR**2 + (_LOST_SHARE * lost) ** 2 + noise**2)
        even_error = np.sqrt(seen.even_error[used] ** 2 + _EVEN_FLOOR**2 + (_EVEN_SHARE * even) ** 2)
        return lost, error, even, even_error

    def misfit(self, p: Curve) -> Curve:
        """Return residuals in units of their errors, what is expected beforehand included."""
        lost, even = self.curves(p)
        shown, error, shown_even, even_error = self.measured
        expected = np.array(
            [
                (p[1] - self.left) / _SPECKLE_SIGMA,
                (p[2] - _JITTER[0]) / _JITTER[1],
                (p[3] - np.log(self.warp)) / _WARP_SIGMA,
                p[4] / _DEFOCUS_SIGMA,
                (p[5] - self.shared) / _SHARED_SIGMA,
                (p[6] - self.unlike) / _UNLIKE_SIGMA,
            ]
        )
        return np.concatenate([(lost - shown) / error, (even - shown_even) / even_error, self.gain_misfit(p), expected])

    def gain_misfit(self, p: Curve) -> Curve:
        """Return residuals whose squares add up to the deviance of the gains' covariances (Wishart 1928).

        With l the eigenvalues of a covariance over the expected one and n gains, n sum(l - 1 - ln l) (Anderson, An
        Introduction to Multivariate Statistical Analysis); the sign tells too much from too little.
        """
        return self._known_misfits(*p[[0, 4, 5, 6]].tolist())

    @cached_property
    def _known_misfits(self) -> Callable[[float, float, float, float], Curve]:
        def misfit(log_ratio: float, waves: float, shared: float, unlike: float) -> Curve:
            return self._gain_misfit(np.array([log_ratio, 0.0, 0.0, 0.0, waves, shared, unlike]))

        return lru_cache(maxsize=8)(misfit)

    def _gain_misfit(self, p: Curve) -> Curve:
        seen = self.seen.gains
        if seen is None:
            return np.zeros(0)
        half = np.linalg.inv(np.linalg.cholesky(self.spread_of_gains(p, seen)))
        over = np.linalg.eigvalsh(half @ (seen.covariance + seen.noise) @ half.transpose(0, 2, 1))
        over = np.maximum(over, _LEAST_EIGENVALUE).reshape(-1)
        count = _GAINS * (1.0 - self.parted)
        deviance = np.maximum(count * (over - 1.0 - np.log(over)), 1e-12)
        return np.asarray(np.copysign(np.sqrt(deviance), over - 1.0))

    def mean_cost(self, p: Curve) -> float:
        """Return the cost of a ring's curves or of a gains' mixture, the larger one; 1 is expected."""
        rings, gains = self.misfit(p)[: 2 * int(self.used.sum())], self.gain_misfit(p)
        of_gains = robust_cost(gains) / (_COST_OF_GAINS * len(gains)) if len(gains) else 0.0
        return max(robust_cost(rings) / len(rings), of_gains)

    def spread_of_gains(self, p: Curve, seen: GainSpread) -> Curve:
        """Return the covariance (m, 5, 5) of gains that is expected in the mixtures of `seen`, noise included."""
        alike = math.exp(_GAINS_LEFT) * self._alike(float(p[0] + p[5]), float(p[4]))
        unlike = _GAIN_FLOOR * np.diag(alike[0]) + np.exp(p[6]) * _UNLIKE_AT
        mixed = (seen.lags @ alike.reshape(len(alike), -1)).reshape(seen.noise.shape)
        return np.asarray(mixed + seen.noise + np.diag(unlike))

    def start(self, ratio: float, waves: float) -> Curve:
        """Return the parameters of D/r0 and defocus with all else as expected beforehand."""
        middle, last = [self.left, _JITTER[0], float(np.log(self.warp))], [self.shared, self.unlike]
        return np.array([np.log(ratio), *middle, waves, *last])

    def best(
        self, starts: list[tuple[float, float]], low: Curve, high: Curve, like: Curve | None = None
    ) -> tuple[Curve, float]:
        """Return the best parameters from several starts (D/r0, defocus), the others `like` these; and their cost."""
        like = self.start(1.0, 0.0) if like is None else like
        fits = []
        for ratio, waves in starts:
            start = like.copy()
            start[[0, 4]] = np.log(ratio), waves
            fits.append(fit_between(self.misfit, start, low, high))
        return min(fits, key=lambda fit: fit[1])


def _usable(seen: SpectralRatio) -> NDArray[np.bool_]:
    """Return the rings that hold signal, from the lowest up to the first that does not."""
    with np.errstate(invalid="ignore"):
        good = (seen.lost < -np.log(_LEAST_RATIO_KEPT)) & (seen.snr > _LEAST_SNR) & (seen.lost_error < _MOST_ERROR)
        good &= np.isfinite(seen.even) & (seen.frequency < _HIGHEST)
    span = seen.frequency > _LOWEST
    bad = np.flatnonzero(~good & span)
    return np.asarray(good & span & (np.arange(len(good)) < (bad[0] if len(bad) else len(good))))


def _warp(apart: float | None, beams: float) -> float:
    """Return the expected variance of the motion within a patch, in (lambda / D)^2, from that between patches.

    For beams close together motion differs as their distance: the mean square distance within a window is a sixth of
    that between windows half a patch apart. Beams that no longer overlap differ as much within as between.
    """
    if apart is None:
        return _UNKNOWN_WARP
    return float(np.clip((1.0 / 6.0 + 0.3 * _parted(beams)) * apart, 5e-4, 0.6))
