"""What may have limited a capture: every cause measured on its own, ready for the verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from stacker.alignment.record import Alignment
from stacker.capture.circumstances import COLOUR_WAVELENGTHS_NM, Circumstances
from stacker.capture.sequence import Capture
from stacker.measuring.frame_count import FrameCount, count_frames
from stacker.measuring.light import Light
from stacker.measuring.limb_transfer import LimbTransfer, measure_limb
from stacker.measuring.metrics import agreement, green
from stacker.measuring.resolution import Resolution
from stacker.measuring.rotation import Rotation, measure_rotation
from stacker.measuring.sampling import Sampling, measure_sampling
from stacker.measuring.seeing import with_motion_bound
from stacker.measuring.seeing_record import Seeing
from stacker.measuring.single_frames import SingleFrames
from stacker.measuring.tracking import Tracking, measure_tracking
from stacker.measuring.witness import Witness
from stacker.ranking.record import Ranking
from stacker.sky.refraction import smear_over_separation
from stacker.stacking.record import Stack

UNFILTERED_BAND_NM = (420.0, 680.0)
"""What a mono camera without a filter takes in (common practice, no source)."""
BAND_ERROR = 0.15
"""Of the smear within a band: its width and the weather are not known better."""


@dataclass(frozen=True)
class Causes:
    """Each cause as measured, lengths in camera pixels; None where the capture cannot tell: see `notes`."""

    sampling: Sampling | None
    light: Light | None
    frames: FrameCount
    rotation: Rotation | None
    tracking: Tracking
    band_smear_px: float | None
    """How far the air draws a point out within the band in which the image is measured."""
    limb: LimbTransfer | None
    """Of the stack: lengths in its pixels."""
    resolution: Resolution | None
    clipped_fraction: float
    exposure_s: float | None
    obstruction_ratio: float
    mosaic: bool
    zoom: float
    notes: dict[str, str]
    """The reason for each None, by the key of metrics.json."""
    seeing: Seeing
    """Air and focus as single frames tell them; they have notes of their own."""


def measure_causes(
    capture: Capture,
    ranking: Ranking,
    alignment: Alignment,
    linear: Stack,
    witness: Witness,
    found: Mapping[str, Any],
    alone: SingleFrames,
    agreed: Resolution | str | None = None,
) -> Causes:
    """Measure every cause on its own; `found` are the measurements so far, keyed as in metrics.json.

    `alone` is what single frames tell, `agreed` what `agreement` says of the stack, where somebody has asked.
    """
    circumstances = capture.circumstances
    notes: dict[str, str] = {}
    scale = found.get("scale_arcsec_per_px")
    camera_scale = None if scale is None else float(scale) * linear.zoom
    sampling = measure_sampling(circumstances)
    cutoff = None if sampling is None else 1.0 / sampling.px_per_element / linear.zoom
    agreed = agreed or agreement(linear, circumstances)
    resolution = None if isinstance(agreed, str) else agreed
    rotation = measure_rotation(capture, ranking.target, alignment, witness, camera_scale, linear.zoom)
    limb = measure_limb(green(linear.image), linear.mask) if linear.kind == "disc" else None
    tracking = measure_tracking(capture, ranking, green(linear.coverage), linear.mask)
    causes = Causes(
        sampling,
        alone.light,
        count_frames(
            int(ranking.usable.sum()), linear.weights, None if resolution is None else resolution.rings, cutoff
        ),
        None if isinstance(rotation, str) else rotation,
        tracking,
        _band_smear_px(found, circumstances, linear),
        limb,
        resolution,
        ranking.clipped_fraction,
        circumstances.exposure_s,
        circumstances.obstruction_ratio,
        capture.mosaic is not None,
        linear.zoom,
        notes,
        with_motion_bound(alone.seeing, alignment, circumstances),
    )
    notes |= _reasons(causes, rotation if isinstance(rotation, str) else "", linear.kind)
    return causes


def _band_smear_px(found: Mapping[str, Any], circumstances: Circumstances, linear: Stack) -> float | None:
    """Return the smear within green, within the filter of a mono capture, or in all light where there is none."""
    bands = found.get("dispersion_in_band_px")
    if bands:
        return float(bands[len(bands) // 2]) / linear.zoom
    expected = found.get("dispersion_expected_px")
    if expected is None:
        return None
    red, _, blue = COLOUR_WAVELENGTHS_NM
    middle = circumstances.wavelength_nm
    band = UNFILTERED_BAND_NM if middle is None else (middle - 50.0, middle + 50.0)
    return float(expected) * smear_over_separation(band, (blue, red)) / linear.zoom


def _reasons(causes: Causes, rotation: str, kind: str) -> dict[str, str]:
    """Return why what is None could not be measured, by key of metrics.json."""
    reasons: dict[str, str] = {}
    if causes.sampling is None:
        reasons["sampling_px_per_element"] = "needs aperture_mm and focal_length_mm of the telescope and pixel_um"
    if causes.light is None:
        reasons["snr_frame"] = "no target brighter than the sky"
    elif causes.light.gain_e_per_adu is None:
        reasons["electrons_per_frame"] = (
            "the frames' noise does not grow with the light: the gain cannot be read from it"
        )
    if causes.rotation is None:
        reasons["rotation_smear_px"] = rotation
    if causes.tracking.drift_px_per_s is None:
        reasons["drift_px_per_s"] = "needs the time of each frame and a dozen usable ones"
    if causes.tracking.smear_px is None:
        reasons["exposure_smear_px"] = "needs exposure_s, the time of each frame and a dozen usable ones"
    if causes.limb is None:
        reasons["limb_mtf50_cyc_per_px"] = "a surface shows no limb" if kind != "disc" else "no clean limb was found"
    if causes.frames.twice_resolution_px is None:
        reasons["twice_frames_resolution_px"] = "the resolution could not be measured"
    return reasons


def cause_figures(causes: Causes) -> dict[str, Any]:
    """Return the causes' figures keyed as in metrics.json, `_error` beside each that has one."""
    light, tracking, limb, rotation = causes.light, causes.tracking, causes.limb, causes.rotation
    pairs: dict[str, tuple[float | None, float | None]] = {
        "snr_frame": (None, None) if light is None else (light.snr_frame, light.snr_frame_error),
        "twice_frames_resolution_px": (causes.frames.twice_resolution_px, causes.frames.twice_resolution_px_error),
        "half_frames_resolution_px": (causes.frames.half_resolution_px, causes.frames.half_resolution_px_error),
        "rotation_smear_px": (None, None) if rotation is None else (rotation.left_px, rotation.left_px_error),
        "drift_px_per_s": (tracking.drift_px_per_s, tracking.drift_px_per_s_error),
        "periodic_error_px": (tracking.periodic_px, tracking.periodic_px_error),
        "exposure_smear_px": (tracking.smear_px, tracking.smear_px_error),
        "edge_spread_px": (None, None) if limb is None else (limb.edge_spread_px, limb.edge_spread_px_error),
        "limb_mtf50_cyc_per_px": (None, None) if limb is None else (limb.mtf50_cyc_per_px, limb.mtf50_cyc_per_px_error),
        "limb_mtf10_cyc_per_px": (None, None) if limb is None else (limb.mtf10_cyc_per_px, limb.mtf10_cyc_per_px_error),
        "electrons_per_frame": _electrons(light),
    }
    found: dict[str, Any] = {}
    for key, (value, error) in pairs.items():
        found[key] = value
        if value is not None and error is not None:
            found[f"{key}_error"] = error
    sampling = causes.sampling
    return found | {
        "sampling_px_per_element": None if sampling is None else sampling.px_per_element,
        "fitting_focal_length_mm": None if sampling is None else sampling.fitting_focal_length_mm,
        "peak_level": None if light is None else light.peak_share,
        "rotation_turned_deg": None if rotation is None else rotation.turned_deg,
        "periodic_error_s": tracking.periodic_s,
        "frames_out_of_field": tracking.frames_lost,
    }


def _electrons(light: Light | None) -> tuple[float | None, float | None]:
    if light is None or light.electrons is None or light.gain_e_per_adu is None or light.gain_error is None:
        return None, None
    return light.electrons, light.electrons * light.gain_error / light.gain_e_per_adu
