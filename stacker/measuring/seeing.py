"""The air and the focus behind a capture: Fried's parameter, seeing, static defocus.

How much of a telescope's defocus can be told from air: from frames without noise and without beams that part, all that
is worth noticing; but defocus and air differ only in how the frames scatter, not in how soft their mean is, and noise
and layers high above, which move one detail of a patch against another, scatter them as well. Of discs in air of D/r0
1.5 to 3 (scripts/experiment_seeing.py, seeds 93001 to 93004 and 94001 to 94004, on which nothing was settled) 0.3 and
0.5 waves peak to valley are recognised in 53 of 55 where single frames show a third of the cutoff with twice the power
of their noise, in 82 of 96 in all; none is called sharp. Of 240 captures in focus, in air of D/r0 1.5 to 8, 3 are
called defocused, all of them through 80 or 130 mm, where beams part within a patch, in air of D/r0 3.4 and more. The
rest is "cannot tell", and D/r0 then stands between that of focus and that of defocus, with an error that spans both;
experiment_defocus_bound.py says what more there is to be had.
"""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import numpy as np

from stacker.alignment.record import Alignment
from stacker.calibration.defects import DefectRepair
from stacker.capture import Capture, Circumstances
from stacker.capture.circumstances import ASSUMED_WAVELENGTH_NM
from stacker.measuring.air_fit import NOTICED_WAVES, AirFit, fit_air
from stacker.measuring.asymmetry import static_asymmetry
from stacker.measuring.focus_judgement import (
    MOST_MISFIT,
    ROUGH,
    ROUGHEST_FOR_FOCUS,
    SMALL,
    WARPED,
    believed_ratio,
    focus_of,
    likely_defocus,
    taken_by_defocus,
    total_error,
)
from stacker.measuring.motion import image_motion_px_rms
from stacker.measuring.patch_spectra import MOST_FRAMES, patch_spectra
from stacker.measuring.seeing_record import Focus, Seeing
from stacker.measuring.spectral_ratio import FEWEST_FRAMES, SpectralRatio, spectral_ratio
from stacker.measuring.turbulence_place import differential_bound, place_of_turbulence, tilt_bound
from stacker.measuring.witness import look_at_start
from stacker.ranking import Ranking
from stacker.sky.optics import ARCSEC_PER_RADIAN, diffraction_arcsec
from stacker.sky.seeing import outer_scale_factor

R0_WAVELENGTH_NM = 500.0
SEEING_OF_R0 = 0.976
_PATCH_ELEMENTS, _WIDE_PATCH_ELEMENTS = 16.0, 26.0
"""Patch width in lambda / D: several times what the air smears over."""
_WIDE_READS = 0.94
"""Wide patches read D/r0 low: so much of the truth on simulated captures (scripts/experiment_seeing.py)."""
_MOST_APART = 0.25
"""Of ln D/r0 by patches of the two widths."""
_SMALLEST_PX = 20
_FINEST_CUTOFF = 0.55
_ROUGHEST = 10.5
_FAINTEST = 4.5
"""Signal to noise of a pixel below which r0 scatters by a third and more."""
_MOST_OWN_ERROR, _MOST_ERROR = 0.27, 0.22
"""Of ln D/r0, by the fit alone and in all: what may well be a quarter off is a guess."""
_ROUGHEST_OF_SMALL = 3.3
"""Where beams part within a patch by so much as SMALL, r0 is read too large in rougher air."""
_DEFOCUS_ERROR = 0.08
_OUTER_SCALE_M = 20.0
_FIGURES = ("r0_mm", "seeing_arcsec", "fried_ratio")
_UNTOLD = "the frames do not tell the air from noise and motion; more light or more frames would tell"
_NEEDS_OPTICS = "needs the telescope's aperture_mm and focal_length_mm and the camera's pixel_um"


def measure_seeing(
    capture: Capture,
    ranking: Ranking,
    repair: DefectRepair,
    circumstances: Circumstances,
    workers: int = 1,
    effort: str = "full",
) -> Seeing:
    """Measure Fried's parameter and the focus from single frames of a capture, with errors of one sigma.

    Spectral ratio of patches (von der Luehe 1984, J. Opt. Soc. Am. A 1, 510) in up to 240 usable frames (60 with the
    quick effort), kept or not, fitted with D/r0 and static defocus. Whatever the capture cannot carry is None, with the
    reason in `notes`; see `with_motion_bound` for what image motion tells. Raises CaptureError where frames cannot be
    read.
    """
    refused = _refusal(ranking, circumstances)
    if refused:
        return _without(refused)

    def look(elements: float) -> tuple[SpectralRatio | None, AirFit | None]:
        return _look(capture, ranking, repair, circumstances, elements, MOST_FRAMES[effort], workers)

    kind = ranking.target.kind
    seen, fit = look(_PATCH_ELEMENTS)
    reason = ""
    if fit is not None and fit.ratio > ROUGH:
        wide = look(_WIDE_PATCH_ELEMENTS)
        if any(one is None or focus_of(one, kind) != "defocused" for one in (fit, wide[1])):
            reason = _disagreement(fit, wide[1], kind)
            seen, fit = _wider(wide, seen, fit)
    reason = reason or _why_not(seen, fit, kind)
    bounded = _with_differential_bound(_without(reason), seen, circumstances)
    if seen is None or fit is None or reason:
        # How strong the air is may stay open where it is sure that the focus is off.
        if fit is not None and focus_of(fit, kind) == "defocused":
            return _with_focus(replace(bounded, focus="defocused"), fit, kind)
        return bounded
    return _with_figures(bounded, seen, fit, kind, circumstances)


def with_motion_bound(found: Seeing, alignment: Alignment, circumstances: Circumstances) -> Seeing:
    """Return the record with what the motion of the whole image tells."""
    cutoff = circumstances.cutoff_cyc_per_px()
    if cutoff is None:
        return replace(found, notes=found.notes | {"motion_bound_r0_mm": _NEEDS_OPTICS})
    motion_px, _ = image_motion_px_rms(alignment.shift_px, alignment.shift_error_px)
    bound = tilt_bound((motion_px * cutoff) ** 2, _aperture_at_r0_mm(circumstances))
    text = "" if bound else "the image hardly moves, or too few frames"
    return replace(found, motion_bound_r0_mm=bound, notes=found.notes | {"motion_bound_r0_mm": text})


def _refusal(ranking: Ranking, circumstances: Circumstances) -> str:
    cutoff = circumstances.cutoff_cyc_per_px()
    if cutoff is None:
        return _NEEDS_OPTICS
    if cutoff > _FINEST_CUTOFF:
        return "fewer than 2 px per lambda/D alias what the air does; a longer focal length would tell"
    if ranking.usable.sum() < FEWEST_FRAMES:
        return f"needs at least {FEWEST_FRAMES} usable frames"
    if float(np.median(ranking.brightness[ranking.usable])) < _FAINTEST * ranking.noise_adu:
        return "single frames are too faint; longer exposures or more light would tell"
    return ""


def _look(
    capture: Capture,
    ranking: Ranking,
    repair: DefectRepair,
    circumstances: Circumstances,
    elements: float,
    most_frames: int,
    workers: int,
) -> tuple[SpectralRatio | None, AirFit | None]:
    """Return the spectral ratio in patches of `elements` lambda / D and the fit to it."""
    cutoff, aperture_mm = circumstances.cutoff_cyc_per_px() or 0.0, circumstances.telescope.aperture_mm or 0.0
    size = max(2 * round(0.5 * elements / cutoff), _SMALLEST_PX)
    size = min(size, 2 * ((min(capture.shape[:2]) - 12) // 2))
    if size < _SMALLEST_PX:
        return None, None
    spectra = patch_spectra(capture, ranking, repair, cutoff, size, most_frames, workers)
    seen = None if spectra is None else spectral_ratio(spectra, workers)
    if seen is None:
        return None, None
    element_rad = diffraction_arcsec(aperture_mm, _wavelength_nm(circumstances)) / ARCSEC_PER_RADIAN
    return seen, fit_air(seen, circumstances.obstruction_ratio, aperture_mm, size * cutoff * element_rad)


def _wider(
    wide: tuple[SpectralRatio | None, AirFit | None], seen: SpectralRatio | None, fit: AirFit
) -> tuple[SpectralRatio | None, AirFit]:
    """Return what is believed of rough air where patches of both widths do not both show defocus: then none shows.

    Wide patches hold the whole blur, so they are believed where they showed anything; unless beams part within them.
    Doubt of the focus stays: half of what defocus would take from ln D/r0, as likely as that is.
    """
    if wide[1] is not None and fit.beam_apart < WARPED:
        seen, fit = wide[0], replace(wide[1], ratio=wide[1].ratio / _WIDE_READS)
    error = hypot(fit.ratio_error, 0.5 * likely_defocus(fit) * taken_by_defocus(fit))
    return seen, replace(fit, ratio_error=error, gain=0.0, price=0.0, ratio_blurred=fit.ratio)


def _disagreement(fit: AirFit, wide: AirFit | None, kind: str) -> str:
    """Return why rough air through a small telescope must not be believed: patches of two sizes see it differently."""
    apart = wide is not None and abs(np.log(wide.ratio / _WIDE_READS / fit.ratio)) >= _MOST_APART
    if fit.beam_apart < WARPED or not (apart or focus_of(fit, kind) == "defocused"):
        return ""
    return "smaller and larger patches disagree on the air: its layers part what they see; a larger aperture would tell"


def _why_not(seen: SpectralRatio | None, fit: AirFit | None, kind: str) -> str:
    """Return why the fit must not be believed; empty where it may be."""
    if seen is None:
        return "no patch with detail stays within the frame"
    if fit is None:
        return "single frames are too noisy or too featureless; longer exposures or more light would tell"
    if fit.ratio > _ROUGHEST:
        return "the air is too rough for single frames to show anything of the telescope's resolution"
    if fit.beam_apart > SMALL and fit.ratio > _ROUGHEST_OF_SMALL:
        return "so rough air parts what a small telescope sees within a patch; a larger aperture would tell"
    if fit.misfit > MOST_MISFIT or fit.ratio_error > _MOST_OWN_ERROR or total_error(fit, kind) > _MOST_ERROR:
        return _UNTOLD
    return ""


def _with_figures(bounded: Seeing, seen: SpectralRatio, fit: AirFit, kind: str, circumstances: Circumstances) -> Seeing:
    """Return the record with the fit's figures in place of the reasons for their absence."""
    focus = focus_of(fit, kind)
    ratio = believed_ratio(fit, kind)
    error = total_error(fit, kind)
    r0_mm = _aperture_at_r0_mm(circumstances) / ratio
    seeing = SEEING_OF_R0 * 1e-6 * R0_WAVELENGTH_NM * ARCSEC_PER_RADIAN / r0_mm
    notes = {key: text for key, text in bounded.notes.items() if key not in _FIGURES}
    notes |= _caveats(r0_mm, focus, circumstances)
    found = replace(
        bounded, r0_mm=r0_mm, r0_mm_error=error * r0_mm, seeing_arcsec=seeing, seeing_arcsec_error=error * seeing,
        fried_ratio=ratio, fried_ratio_error=error * ratio, focus=focus, notes=notes,
        asymmetry=static_asymmetry(seen) if fit.beam_apart < WARPED and fit.ratio < ROUGH else None,
        turbulence_hint=place_of_turbulence(seen.farthest_apart, ratio, fit.beam_apart),
    )  # fmt: skip
    return _with_zenith(_with_focus(found, fit, kind), circumstances)


def _with_focus(found: Seeing, fit: AirFit, kind: str) -> Seeing:
    if found.focus != "cannot tell":
        error = min(hypot(fit.defocus_waves_error * max(fit.misfit, 1.0) ** 0.5, _DEFOCUS_ERROR), 0.5 * NOTICED_WAVES)
        notes = {key: text for key, text in found.notes.items() if key != "defocus_waves_pv"}
        return replace(found, defocus_waves_pv=fit.defocus_waves, defocus_waves_pv_error=error, notes=notes)
    if kind != "disc":
        text = "a surface does not tell defocus from air; a planet or a star recorded in steady air would"
    elif fit.ratio >= ROUGHEST_FOR_FOCUS:
        text = "the air hides it; a capture in steadier air, or through a smaller stop, would tell"
    else:
        text = "the frames are too noisy or too few to tell defocus from air; more light or more frames would tell"
    return replace(found, notes=found.notes | {"defocus_waves_pv": text})


def _caveats(r0_mm: float, focus: Focus, circumstances: Circumstances) -> dict[str, str]:
    """Return what the figures assume."""
    exposure = circumstances.exposure_s
    assumed = "assumes exposures that freeze the air"
    if exposure is not None and exposure > 0.01:
        assumed += f"; {1e3 * exposure:.0f} ms do not, so the air is worse than this"
    if focus == "cannot tell":
        assumed += "; a telescope out of focus would look like worse air"
    with_scale = outer_scale_factor(r0_mm, _OUTER_SCALE_M)
    return {
        "r0_mm": assumed,
        "seeing_arcsec": "of a long exposure without an outer scale of turbulence; "
        f"with one of {_OUTER_SCALE_M:.0f} m it is {with_scale:.2f} times as wide",
    }


def _with_zenith(found: Seeing, circumstances: Circumstances) -> Seeing:
    """Return the record with r0 at the zenith, where the target's altitude follows from target, time and site."""
    look = look_at_start(circumstances)
    airmass = None if look is None else look.airmass
    if airmass is None or found.r0_mm is None or found.r0_mm_error is None:
        text = "needs a target with an ephemeris, the time and the site"
        return replace(found, notes=found.notes | {"r0_zenith_mm": text})
    factor = airmass**0.6
    return replace(found, r0_zenith_mm=found.r0_mm * factor, r0_zenith_mm_error=found.r0_mm_error * factor)


def _with_differential_bound(found: Seeing, seen: SpectralRatio | None, circumstances: Circumstances) -> Seeing:
    """Return the record with what motion between patches tells."""
    bound = None if seen is None else differential_bound(seen.farthest_apart, _aperture_at_r0_mm(circumstances))
    text = "" if bound else "needs two patches that move against each other"
    return replace(found, differential_bound_r0_mm=bound, notes=found.notes | {"differential_bound_r0_mm": text})


def _aperture_at_r0_mm(circumstances: Circumstances) -> float:
    """Return the aperture that at r0's wavelength would have the D / r0 of this telescope."""
    aperture_mm = circumstances.telescope.aperture_mm or 0.0
    return float(aperture_mm * (R0_WAVELENGTH_NM / _wavelength_nm(circumstances)) ** 1.2)


def _without(reason: str) -> Seeing:
    keys = (*_FIGURES, "defocus_waves_pv", "r0_zenith_mm")
    return Seeing(notes=dict.fromkeys(keys, reason))


def _wavelength_nm(circumstances: Circumstances) -> float:
    return circumstances.wavelength_nm or ASSUMED_WAVELENGTH_NM
