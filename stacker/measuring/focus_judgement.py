"""Is the telescope out of focus, and what D/r0 and what error follow, from fits with and without defocus."""

from __future__ import annotations

import numpy as np

from stacker.measuring.air_fit import AirFit
from stacker.measuring.seeing_record import Focus

ROUGH = 3.9
"""Of D/r0: from here on its errors grow, and narrow patches no longer hold the whole blur."""
MOST_MISFIT = 4.5
SMALL = 2.0
"""Apertures that beams part within a patch, above which a telescope is small."""
# Settled on simulated captures, whose r0 scatters by 8 % whatever their light (scripts/experiment_seeing.py).
_OWN_SHARE, _MODEL_ERROR, _WARP_ERROR, _ROUGH_ERROR = 0.6, 0.06, 0.25, 0.06
_FOCUS_DOUBT, _MOST_DOUBT = 0.3, 0.2
_DEFOCUSED_ERROR = 0.1
_SURE, _SURE_OF_PARTED, _SURE_OF_ROUGH = 0.7, 6.0, 2.0
"""Half the cost that defocus must save where the fit is good, more by the misfit, where beams part in a patch and where
it is either defocus or rough air..."""
_CALM = 2.4
"""...and more by the square of D/r0 over this, unless as much as `NOTICED_WAVES` saves it."""
_LEAST_WAVES = 0.21
"""Less than this is fitted to telescopes in focus, too."""
_RULED_OUT = 8.0
"""Half the cost over the misfit that `NOTICED_WAVES` must add to be ruled out."""
_UNSURE_ODDS, _MOST_BETWEEN = 3.0, 0.6
"""Odds for focus before looking; and how much of ln D/r0 an undecided defocus may be worth."""
_ROUGH_IN_FOCUS = 4.5
"""So rough a blur is air before it is defocus."""
WARPED = 0.7
"""Apertures that beams part within a patch, from which on air may pass for defocus."""
ROUGHEST_FOR_FOCUS = 3.6
_LEAST_SHARE = 0.25
"""Defocus that would explain more than this of what the air seems to do is not believed."""


def believed_ratio(fit: AirFit, kind: str) -> float:
    """Return D/r0: of the likelier focus where one is sure, else the mean of both."""
    if focus_of(fit, kind) == "defocused":
        return fit.ratio_defocused
    return fit.ratio * float(np.exp(-_undecided(fit, kind)[0]))


def total_error(fit: AirFit, kind: str) -> float:
    """Return the error of ln D/r0: the fit's own, and what simulated captures scatter beyond it.

    A fit that misses by more than the errors of what it fits has larger ones: by the square root of the cost a figure
    (the scale factor of the Particle Data Group's Review of Particle Physics).
    """
    # Of 80 mm, whose beams part within a patch, r0 scatters by 20 %; of 130 mm hardly more than of larger ones.
    warp = _WARP_ERROR * fit.parted**3
    misfit = float(np.sqrt(max(fit.misfit, 1.0)))
    if focus_of(fit, kind) == "defocused":
        return float(np.sqrt((misfit * fit.ratio_defocused_error) ** 2 + _DEFOCUSED_ERROR**2 + warp**2))
    likely = 1.0 - np.exp(-max(fit.gain, 0.0))
    doubt = _FOCUS_DOUBT * likely * taken_by_defocus(fit)
    rough = _ROUGH_ERROR if fit.ratio > ROUGH else 0.0
    own = _OWN_SHARE * fit.ratio_error * misfit
    parts = (own, max(min(doubt, _MOST_DOUBT), _undecided(fit, kind)[1]), _MODEL_ERROR, warp, rough)
    return float(np.linalg.norm(parts))


def likely_defocus(fit: AirFit) -> float:
    """Return how likely some defocus is, 0 to 1, by the cost that it saves over the misfit."""
    return 1.0 - float(np.exp(-max(fit.gain, 0.0) / max(fit.misfit, 1.0)))


def taken_by_defocus(fit: AirFit) -> float:
    """Return how much of ln D/r0 the fit's defocus would explain."""
    return float(np.log(max(fit.ratio / fit.ratio_defocused, 1.0)))


def _undecided(fit: AirFit, kind: str) -> tuple[float, float]:
    """Return mean and standard deviation of what defocus takes from ln D/r0 where it is not sure.

    The two-point distribution of focus and of defocus worth noticing, each as likely as its cost says. Where that much
    is ruled out, less of it may still be there: half of what it takes, as likely as it is.
    """
    focus, roughest = focus_of(fit, kind), ROUGHEST_FOR_FOCUS
    if focus == "defocused" or kind != "disc":
        return 0.0, 0.0
    if focus == "sharp":
        likely, taken = likely_defocus(fit), taken_by_defocus(fit) if fit.ratio_defocused < roughest else 0.0
        return 0.5 * likely * taken, _FOCUS_DOUBT * likely * taken
    taken = float(np.clip(np.log(fit.ratio / fit.ratio_blurred), 0.0, _MOST_BETWEEN))
    taken = taken if fit.ratio_blurred < roughest else 0.0
    likely = float(1.0 / (1.0 + _UNSURE_ODDS * np.exp(np.clip(fit.price / max(fit.misfit, 1.0), -50.0, 50.0))))
    doubt = float(np.sqrt(likely * (1.0 - likely))) * taken
    return (likely * taken if fit.ratio < _ROUGH_IN_FOCUS else 0.0), doubt


def is_defocused(fit: AirFit) -> bool:
    """Return whether defocus is sure: some that is worth noticing, or as much as `NOTICED_WAVES`, saves enough."""
    if fit.misfit > MOST_MISFIT:
        return False
    sure = _sure(fit)
    some = _is_calm(fit.ratio_defocused, fit) and fit.defocus_waves > _LEAST_WAVES
    rough = max(fit.ratio_defocused / _CALM, 1.0) ** 2
    return some and fit.gain > sure * rough or _is_calm(fit.ratio_blurred, fit) and -fit.price > sure


def _is_calm(ratio: float, fit: AirFit) -> bool:
    """Return whether air of D/r0 `ratio` would let defocus show, and leave the air a part of what is seen."""
    return _LEAST_SHARE * fit.ratio < ratio < ROUGHEST_FOR_FOCUS


def _sure(fit: AirFit) -> float:
    rough = _SURE_OF_ROUGH if fit.ratio > ROUGH else 0.0
    return (_SURE + _SURE_OF_PARTED * fit.parted**2 + rough) * max(fit.misfit, 1.0)


def focus_of(fit: AirFit, kind: str) -> Focus:
    """Return what may be said of the focus; `kind` is the target's: only discs tell it."""
    if kind != "disc":
        return "cannot tell"
    if is_defocused(fit):
        return "defocused"
    excluded = fit.price > _RULED_OUT * max(fit.misfit, 1.0)
    return "sharp" if fit.ratio < ROUGHEST_FOR_FOCUS and excluded else "cannot tell"
