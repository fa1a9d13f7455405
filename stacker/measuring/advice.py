"""One plain sentence a cause: what it did to the capture, and what to do next time."""

from __future__ import annotations

from stacker.measuring.causes import Causes
from stacker.measuring.depths import px_per_element
from stacker.measuring.rotation import Rotation, longest_s
from stacker.measuring.shortfall import IDEAL_FRAMES

LITTLE = 0.05
"""A share below this is not worth doing anything about."""
_AIR_STANDS_S = 0.02
"""Longest exposure to advise: within 10 to 20 ms the air moves on (common practice, no source)."""
_DARK, _FILLED = 0.35, 0.7
"""Share of the scale that the brightest parts fill in a dark frame, and in one that is exposed as it should be."""
_WORTH_CHANGING = 1.5
"""A capture or an exposure that may grow by less stays as it is."""


_STANDS = "the 10 to 20 ms in which the air stands still"


def advise(name: str, share: float, causes: Causes, unknown: str | None) -> str:
    """Return the sentence for one cause; `unknown` is why nothing is known of it, None where something is."""
    return _SENTENCES[name](share >= LITTLE, causes, unknown)


def _air(matters: bool, causes: Causes, unknown: str | None) -> str:
    seeing = causes.seeing
    if unknown is not None:
        wanted = _reason(unknown, "a bright capture of a planet's disc, exposed briefly, would tell")
        where = "" if causes.sampling else ", in the sidecar or as options"
        return f"Air: cannot tell what it took, so it is left out here; {wanted}{where}."
    assert seeing.fried_ratio is not None
    hint = f" {_sentence(seeing.turbulence_hint)}" if seeing.turbulence_hint else ""
    told = f"D/r0 is {seeing.fried_ratio:.1f}"
    if seeing.seeing_arcsec is not None:
        told += f", seeing {seeing.seeing_arcsec:.1f} arcsec"
    if not matters:
        return f"Air: {told}, which costs this capture little.{hint}"
    return f"Air: {told}; wait for calmer air or a higher target, and record more frames to choose from.{hint}"


def _optics(matters: bool, causes: Causes, unknown: str | None) -> str:
    seeing = causes.seeing
    skew = f" {_sentence(seeing.asymmetry)}" if seeing.asymmetry else ""
    if unknown is not None or seeing.defocus_waves_pv is None:
        wanted = "a capture of a planet's disc in calmer air with more light, or a star, would tell"
        return f"Focus: cannot tell it from the air in this capture; {_reason(unknown, wanted)}.{skew}"
    if seeing.focus == "defocused":
        waves = seeing.defocus_waves_pv
        return (
            f"Focus: about {waves:.1f} waves off in every frame; refocus on a moon or a star before the next run.{skew}"
        )
    within = 2.0 * (seeing.defocus_waves_pv_error or 0.0)
    return f"Focus: sharp within {max(within, 0.1):.1f} waves.{skew}"


def _sampling(matters: bool, causes: Causes, unknown: str | None) -> str:
    sampling = causes.sampling
    if sampling is None:
        return f"Sampling: cannot tell; it {unknown}."
    told = f"Sampling: {sampling.px_per_element:.1f} px per lambda/D"
    if matters and sampling.factor > 1:
        return (
            f"{told} lose {100 * sampling.lost_band:.0f} % of the telescope's detail; a {sampling.factor:.1f}x Barlow "
            f"lens ({sampling.fitting_focal_length_mm:.0f} mm) would record it."
        )
    if sampling.px_per_element > 2.0 * sampling.wanted_px:
        fitting = f"{sampling.fitting_focal_length_mm:.0f} mm of focal length"
        return f"{told} are more than is needed; {fitting} would do, with more light a pixel."
    return f"{told} are enough."


def _light(matters: bool, causes: Causes, unknown: str | None) -> str:
    light = causes.light
    if light is None:
        return f"Light: cannot tell; {unknown}."
    told = f"signal to noise {light.snr_frame:.0f} a frame"
    if light.electrons is not None:
        told = f"{light.electrons:.0f} electrons a pixel, {told}"
    if not matters:
        return f"Light: {told}, which is enough."
    exposure_s, peak = causes.exposure_s, light.peak_share
    if exposure_s is not None and exposure_s * _WORTH_CHANGING > _AIR_STANDS_S:
        return f"Light: {told}; more frames would help, a longer exposure would not: the air moves on meanwhile."
    if peak is None or peak >= _DARK:
        return f"Light: {told}; less gain and a longer exposure, below {_STANDS}, or more frames, would help."
    more = _FILLED / max(peak, 0.01)
    told += f"; the brightest parts fill {100 * peak:.0f} % of the scale"
    if exposure_s is None:
        return f"Light: {told}: expose up to {more:.0f} times longer, but below {_STANDS}."
    if exposure_s * more < _AIR_STANDS_S:
        return f"Light: {told}: expose for {_milliseconds(exposure_s * more)} instead of {_milliseconds(exposure_s)}."
    return f"Light: {told}: expose for {_STANDS} instead of {_milliseconds(exposure_s)}."


def _frames(matters: bool, causes: Causes, unknown: str | None) -> str:
    frames = causes.frames
    if not matters:
        return f"Frames: {frames.usable} usable ones are enough."
    gain = frames.gain_of_twice
    refined = "" if gain is None else f"; twice as many would refine the resolution by {100 * gain:.0f} %"
    told = f"Frames: only {frames.usable} usable ones{refined}"
    wanted, rotation, limit_s = IDEAL_FRAMES / max(frames.usable, 1), causes.rotation, _longest_s(causes)
    if rotation is None or limit_s is None or limit_s >= wanted * rotation.duration_s:
        return f"{told}; record {_times(wanted)} as long."
    faster = "more frames a second, by a smaller field of the camera or a shorter exposure"
    if limit_s < _WORTH_CHANGING * rotation.duration_s:
        return f"{told}; record {faster}: the target's rotation allows no longer capture."
    return f"{told}; record for {limit_s:.0f} s, as long as the target's rotation allows, and {faster}."


def _rotation(matters: bool, causes: Causes, unknown: str | None) -> str:
    rotation = causes.rotation
    if rotation is None:
        return f"Rotation: cannot tell; {_reason(unknown, 'its time is not known')}."
    told = f"the target turned {abs(rotation.turned_deg):.2f} degrees in {rotation.duration_s:.0f} s"
    if not matters:
        if _followed(rotation):
            return f"Rotation: {told}, which the alignment followed."
        return f"Rotation: {told}, which costs this capture little."
    limit = longest_s(rotation, px_per_element(causes))
    shorter = "" if limit is None else f"; record several captures of less than {limit:.0f} s instead of a long one"
    return f"Rotation: {told} and its middle moved by {rotation.smear_px:.1f} px{shorter}."


def _followed(rotation: Rotation) -> bool:
    """Return whether the alignment followed most of the rotation."""
    return rotation.followed_px > rotation.left_px


def _longest_s(causes: Causes) -> float | None:
    """Return the longest capture before rotation shows; None where none is known that the alignment does not follow."""
    if causes.rotation is None or _followed(causes.rotation):
        return None
    return longest_s(causes.rotation, px_per_element(causes))


def _tracking(matters: bool, causes: Causes, unknown: str | None) -> str:
    tracking = causes.tracking
    told = []
    if tracking.smear_px is not None and tracking.smear_px > 0.3:
        told.append(f"the target moved {tracking.smear_px:.1f} px during each exposure")
    if tracking.frames_lost:
        told.append(f"it was out of the field in {tracking.frames_lost} frame{'s' * (tracking.frames_lost > 1)}")
    if tracking.drift_px_per_s is not None and tracking.drift_px > 5:
        told.append(f"it drifted by {tracking.drift_px:.0f} px")
    if tracking.periodic_s is not None and tracking.periodic_px:
        told.append(f"it swung by {tracking.periodic_px:.1f} px every {tracking.periodic_s:.1f} s")
    if not matters:
        return "Tracking: " + (", ".join(told) + ", which costs little." if told else "the mount held the target.")
    if not told:
        told.append(f"motion left {100 * tracking.kept_share:.0f} % of the light on the stack")
    remedy = (
        "shorten the exposure"
        if tracking.smear_px is not None and tracking.smear_px > 0.3
        else "keep the target centred"
    )
    return f"Tracking: {', '.join(told)}; align and balance the mount, and {remedy}."


def _dispersion(matters: bool, causes: Causes, unknown: str | None) -> str:
    smear = causes.band_smear_px
    if smear is None:
        return f"Dispersion: cannot tell; it {unknown}."
    told = f"Dispersion: the air draws each point out to {smear:.1f} px within the band"
    if not matters:
        return f"{told}, which costs little."
    return f"{told}; record higher in the sky, through a narrower filter, or with a prism against dispersion."


def _clipping(matters: bool, causes: Causes, unknown: str | None) -> str:
    share = causes.clipped_fraction
    if share < 0.001:
        return "Clipping: none."
    told = f"Clipping: {100 * share:.0f} % of the target is at full scale and holds no detail"
    return f"{told}; shorten the exposure or lower the gain." if matters else f"{told}, which costs little."


def _reason(unknown: str | None, otherwise: str) -> str:
    """Return why something cannot be told, as the end of a sentence."""
    if not unknown:
        return otherwise
    return f"it {unknown}" if unknown.startswith("needs ") else unknown


def _sentence(words: str) -> str:
    """Return words as a sentence of their own."""
    return words[0].upper() + words[1:].rstrip(".") + "."


def _milliseconds(seconds: float) -> str:
    return f"{1e3 * seconds:.{0 if seconds >= 0.01 else 1}f} ms"


def _times(factor: float) -> str:
    return "twice" if factor < 2.5 else f"{factor:.0f} times"


_SENTENCES = {
    "air": _air,
    "optics": _optics,
    "sampling": _sampling,
    "light": _light,
    "frames": _frames,
    "rotation": _rotation,
    "tracking": _tracking,
    "dispersion": _dispersion,
    "clipping": _clipping,
}
