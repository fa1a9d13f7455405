"""The measurements of one capture that come from its stack, keyed as in metrics.json."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import Circumstances
from stacker.measuring.limb import limb_overshoot
from stacker.measuring.noise import frame_noise, level, stack_noise
from stacker.measuring.resolution import Resolution, measure_resolution
from stacker.measuring.spectra import analysis_window
from stacker.measuring.witness import Witness
from stacker.stacking.record import Stack

Real = NDArray[np.float32]


def measure_stack(
    stack: Stack,
    best_frame: Real | None,
    circumstances: Circumstances,
    witness: Witness | None = None,
    pattern: float | None = None,
    agreed: Resolution | str | None = None,
) -> dict[str, Any]:
    """Measure a stack and the best single frame.

    `best_frame` is (h, w) or (h, w, 3), moved so that `stack.mask` fits it, or None; `witness` is what the target's
    disc tells: its size gives the scale where no telescope does; `pattern` is the strength of the sensor's fixed
    pattern, where it is known; `agreed` what `agreement` says, where somebody has asked. Colours are measured on green.
    Returned are `snr`, `snr_best_frame`, `scale_arcsec_per_px`, `disc_radius_px`, `north_angle_deg`, `resolution_px`,
    `_arcsec`, `_over_diffraction`, `information_bits` (with `_error` where there is one), and `notes`, a dictionary of
    reasons for what is None.
    """
    notes: dict[str, str] = {}
    found: dict[str, Any] = _noise_figures(stack, best_frame, notes)
    found.update(_scale_figures(circumstances, witness or Witness(), stack.zoom, notes))
    agreed, cutoff = agreed or agreement(stack, circumstances), stack_cutoff(circumstances, stack.zoom)
    found.update(_resolution_figures(agreed, found["scale_arcsec_per_px"], cutoff, pattern, notes))
    found["notes"] = notes
    return found


def green(image: Real) -> Real:
    """Return the green plane of a colour image, a mono image as it is."""
    return np.ascontiguousarray(image if image.ndim == 2 else image[..., image.shape[2] // 2], np.float32)


def agreement(stack: Stack, circumstances: Circumstances) -> Resolution | str:
    """Return what the halves of a stack agree on, or why that cannot be said; colours are measured on green."""
    if not np.any(stack.half_b):
        return "too few frames for two halves"
    try:
        window = analysis_window(stack.mask, stack.kind)
    except ValueError as error:
        return str(error)
    cutoff = stack_cutoff(circumstances, stack.zoom)
    return measure_resolution(green(stack.half_a), green(stack.half_b), window, cutoff)


def _noise_figures(stack: Stack, best_frame: Real | None, notes: dict[str, str]) -> dict[str, Any]:
    """Return the level of the target over the noise of one pixel, for the stack and for the best frame."""
    noise = stack_noise(green(stack.half_a), green(stack.half_b), stack.mask)
    snr = _ratio(level(green(stack.image), stack.mask, stack.kind), noise)
    single = None
    if best_frame is not None and best_frame.shape[:2] == stack.mask.shape:
        single = _single_snr(green(best_frame), stack, stack.image.ndim == 3)
    if snr is None:
        notes["snr"] = "the half-stacks do not differ, or the target is not brighter than the sky"
    if single is None:
        notes["snr_best_frame"] = "no single frame could be measured"
    return {"snr": snr, "snr_best_frame": single}


def _single_snr(frame: Real, stack: Stack, colour: bool) -> float | None:
    """Return one frame's level over noise; for a mosaic, raw or filled, on the best of its four sub-lattices.

    A sub-lattice holds one colour and, of a filled frame, at least one holds samples that were not interpolated: of
    those lattices that are at least nine tenths as bright as the brightest, the noisiest counts.
    """
    if not colour:
        return _ratio(level(frame, stack.mask, stack.kind), frame_noise(frame, stack.mask))
    figures = []
    for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)):
        part, where = np.ascontiguousarray(frame[i::2, j::2]), stack.mask[i::2, j::2]
        if where.any():
            figures.append((level(part, where, stack.kind), frame_noise(part, where)))
    bright = max((signal for signal, _ in figures), default=0.0)
    return min(filter(None, (_ratio(s, n) for s, n in figures if s >= 0.9 * bright)), default=None)


def _ratio(signal: float, noise: float) -> float | None:
    return signal / noise if noise > 0 and signal > 0 else None


def _scale_figures(
    circumstances: Circumstances, witness: Witness, zoom: float, notes: dict[str, str]
) -> dict[str, float | None]:
    """Return the scale by telescope and camera, or by the disc where they are not known; and what the disc tells."""
    scale = circumstances.scale_arcsec_per_px
    found: dict[str, float | None] = {"scale_arcsec_per_px": None}
    if scale is not None:
        found["scale_arcsec_per_px"] = scale / zoom
    elif witness.scale_arcsec_per_px is not None:
        found["scale_arcsec_per_px"] = witness.scale_arcsec_per_px
        found["scale_arcsec_per_px_error"] = witness.scale_error_arcsec_per_px
        notes["scale_arcsec_per_px"] = "from the size of the disc in the ephemeris: the optics are not known"
    else:
        notes["scale_arcsec_per_px"] = (
            "needs pixel_um of the camera and focal_length_mm of the telescope, or a planet's disc with target and time"
        )
    fit = witness.fit
    found |= {"disc_radius_px": None if fit is None else fit.radius_px, "north_angle_deg": witness.north_angle_deg}
    if fit is None:
        notes["disc_radius_px"] = "needs the whole disc of a planet, its name as target, and the time"
    else:
        found["disc_radius_px_error"] = fit.radius_error_px
    if witness.north_angle_deg is None:
        notes["north_angle_deg"] = "needs a planet's disc that shows its pole, or north_angle_deg of the camera"
    elif witness.north_angle_error_deg is not None:
        found["north_angle_deg_error"] = witness.north_angle_error_deg
    return found


def stack_cutoff(circumstances: Circumstances, zoom: float) -> float | None:
    """Return the telescope's cutoff in cycles per pixel of a zoomed stack; None where it is not known."""
    cutoff = circumstances.cutoff_cyc_per_px()
    return None if cutoff is None else cutoff / zoom


def _resolution_figures(
    seen: Resolution | str, scale: float | None, cutoff: float | None, pattern: float | None, notes: dict[str, str]
) -> dict[str, Any]:
    keys = ("resolution_px", "resolution_arcsec", "resolution_over_diffraction")
    found: dict[str, Any] = dict.fromkeys([k + e for k in keys for e in ("", "_error")])
    found["information_bits"] = None
    if isinstance(seen, str):
        notes.update(dict.fromkeys((*keys, "information_bits"), seen))
        return found
    if seen.half_bit_px is not None and seen.note and pattern is not None and seen.contrast < pattern:
        seen = seen.refused("what both half-stacks show is no stronger than the sensor's fixed pattern")
    if seen.half_bit_px is None or seen.half_bit_px_error is None:
        notes.update(dict.fromkeys((*keys, "information_bits"), seen.note))
        return found
    if seen.note:
        notes["resolution_px"] = seen.note
    found["information_bits"] = seen.information_bits
    for key, factor in zip(keys, (1.0, scale, cutoff), strict=True):
        if factor is None:
            notes[key] = "needs the telescope's aperture_mm and focal_length_mm and the camera's pixel_um"
        else:
            found[key], found[key + "_error"] = factor * seen.half_bit_px, factor * seen.half_bit_px_error
    return found


def limb_figures(stack: Stack, finished: Real | None, notes: dict[str, str]) -> dict[str, Any]:
    """Return the larger of the ringing inside and outside the limb of the sharpened image, shaped as `stack.image`.

    It is `limb_overshoot_percent`, with `_error`; the reason for None goes into `notes`.
    """
    found: dict[str, Any] = {"limb_overshoot_percent": None, "limb_overshoot_percent_error": None}
    if stack.kind != "disc":
        notes["limb_overshoot_percent"] = "a surface shows no limb"
        return found
    seen = None if finished is None else limb_overshoot(green(finished), stack.mask)
    if seen is None:
        notes["limb_overshoot_percent"] = "no clean limb was found"
        return found
    found["limb_overshoot_percent"] = max(seen.inside_percent, seen.outside_percent)
    found["limb_overshoot_percent_error"] = seen.error_percent
    return found
