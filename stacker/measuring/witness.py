"""A planet's disc as a witness: its known size and pole tell the image scale and which way is north."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from stacker.capture import Capture
from stacker.capture.circumstances import Circumstances
from stacker.capture.circumstances import Site as NamedSite
from stacker.capture.timing import utc_from_text
from stacker.measuring.disc import DiscFit, check_scale, fit_disc, scale_from_disc
from stacker.measuring.disc_model import view_of
from stacker.sky.ephemeris import Look, look_at
from stacker.sky.vectors import Site
from stacker.stacking.record import Stack

_LARGEST_DISC_ARCSEC = 120.0
"""Venus comes to 66 arcsec; the Sun and the Moon hardly ever show their whole disc, nor a limb without mountains."""


@dataclass(frozen=True)
class Witness:
    """What ephemeris and disc tell of a capture; None where it cannot be known."""

    look: Look | None = None
    """The target at the middle of the capture."""
    fit: DiscFit | None = None
    scale_arcsec_per_px: float | None = None
    """Of the stack, from the disc's size."""
    scale_error_arcsec_per_px: float | None = None
    north_angle_deg: float | None = None
    """Celestial north in the picture, counter-clockwise from up."""
    north_angle_error_deg: float | None = None
    remark: str = ""
    """Where telescope and camera tell another scale than the disc."""


def look_of(capture: Capture) -> Look | None:
    """Return how the target of a capture looked at its middle; None where target or time are unknown.

    Unknown are targets beyond the Sun, the Moon and the planets, and years that the ephemeris does not cover.
    """
    return look_for(capture.circumstances, _middle_utc(capture))


def look_at_start(circumstances: Circumstances) -> Look | None:
    """Return the same for the start of a capture, where no frame is at hand."""
    start = circumstances.start_utc
    return look_for(circumstances, None if start is None else _as_datetime(utc_from_text(start)))


def look_for(circumstances: Circumstances, when_utc: datetime | None) -> Look | None:
    """Return how the target looked at a moment, from the site where one is known; None where it cannot be told."""
    if circumstances.target is None or when_utc is None:
        return None
    try:
        return look_at(circumstances.target, when_utc, _place(circumstances.site))
    except ValueError:
        return None


def ask_disc(capture: Capture, linear: Stack) -> Witness:
    """Fit the disc of a known planet to the stack and return what it tells.

    North is the direction of the fitted pole less its position angle. An unphased spheroid looks the same upside down:
    then, and where no pole shows, the sidecar's `north_angle_deg` decides; without one north stays unknown.
    """
    look = look_of(capture)
    if look is None or linear.kind != "disc" or look.diameter_arcsec > _LARGEST_DISC_ARCSEC:
        return Witness(look, north_angle_deg=capture.circumstances.camera.north_angle_deg)
    camera = capture.circumstances.camera
    image = linear.image if linear.image.ndim == 2 else linear.image[..., 1]
    try:
        fit = fit_disc(np.asarray(image, np.float64), view_of(look, mirrored=bool(camera.mirrored)))
    except ValueError:
        fit = None
    if fit is None:
        return Witness(look, north_angle_deg=camera.north_angle_deg)
    scale, error = scale_from_disc(fit, look)
    north, north_error = _north(fit, look, camera.north_angle_deg, bool(camera.mirrored))
    return Witness(look, fit, scale, error, north, north_error, _remark(fit, look, capture.circumstances, linear.zoom))


def north_from_disc(fit: DiscFit, look: Look, *, mirrored: bool = False) -> float:
    """Return the direction of north in the picture, counter-clockwise from up, from the fitted pole of a target."""
    turn = look.pole_angle_deg
    return (fit.pole_angle_deg + (turn if mirrored else -turn)) % 360.0


def _middle_utc(capture: Capture) -> datetime | None:
    times = capture.times_utc
    start = capture.circumstances.start_utc
    if times is not None and len(times):
        moment = times[0] + (times[-1] - times[0]) / 2
    elif start is not None and (said := utc_from_text(start)) is not None:
        moment = said
    else:
        return None
    return _as_datetime(moment)


def _as_datetime(moment: np.datetime64 | None) -> datetime | None:
    told = None if moment is None else moment.astype("datetime64[us]").item()
    return told.replace(tzinfo=UTC) if isinstance(told, datetime) else None


def _place(site: NamedSite) -> Site | None:
    if site.latitude_deg is None or site.longitude_deg is None:
        return None
    return Site(site.latitude_deg, site.longitude_deg, site.elevation_m or 0.0)


def _north(fit: DiscFit, look: Look, said_deg: float | None, mirrored: bool) -> tuple[float | None, float | None]:
    """Return the angle of north and its error: the fit's where it is sure of its pole, else what was said."""
    if fit.pole_angle_error_deg is None or fit.pole_angle_error_deg > 10.0:
        return said_deg, None
    north = north_from_disc(fit, look, mirrored=mirrored)
    if (look.phase_angle_deg or 0.0) > 5.0:
        return north, fit.pole_angle_error_deg
    if said_deg is None:
        return None, None
    flipped = abs((north - said_deg + 180.0) % 360.0 - 180.0) > 90.0
    return (north + 180.0 * flipped) % 360.0, fit.pole_angle_error_deg


def _remark(fit: DiscFit, look: Look, circumstances: Circumstances, zoom: float) -> str:
    scale = circumstances.scale_arcsec_per_px
    if scale is None:
        return ""
    check = check_scale(fit, look, scale / zoom)
    return "" if check.agrees else check.sentence
