"""What the spread of the colours tells of the air, and whether it is what the air must do to this target now.

The same shifts are had twice: from the picture, colour against colour, and from time, place and target by the
refractivity of air. Each checks the other; neither is bent to fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, inf, isfinite, radians, sin
from typing import TYPE_CHECKING, Any

import numpy as np

from stacker.alignment.correlation import Shift
from stacker.capture.circumstances import BAND_ERROR_NM, COLOUR_BANDS_NM, COLOUR_WAVELENGTHS_NM, Circumstances
from stacker.colour.air_spread import Expected
from stacker.colour.filters import filter_named
from stacker.sky.refraction import (
    dispersion_arcsec,
    pressure_at_mmhg,
    refraction_arcmin,
    refractivity,
    refractivity_slope_per_nm,
    smear_over_separation,
)

if TYPE_CHECKING:
    from stacker.measuring.witness import Witness
    from stacker.sky.ephemeris import Look

RED_NM, GREEN_NM, BLUE_NM = COLOUR_WAVELENGTHS_NM
DISAGREES_SIGMAS = 3.0
WEATHER_ERROR = 0.04
"""Pressure and temperature of a night change the refractivity by this share (20 hPa, 6 degrees)."""
DISPERSION_KEYS = (
    "colour_shifts_px",
    "dispersion_px",
    "dispersion_angle_deg",
    "dispersion_expected_px",
    "dispersion_in_band_px",
)
NORTH_ERROR_DEG = 3.0
"""Of a north that was said and not measured."""
LOWEST_DEG = 3.0
"""Below, flat layers of air are no model."""
LEAST_SPREAD_PX = 0.3
"""Below this the colours stand together, and there is nothing to tell of a direction."""


@dataclass(frozen=True)
class Vertical:
    """What is known of the way up; None where it is not."""

    zenith_distance_deg: float | None = None
    """Apparent."""
    elevation_m: float = 0.0
    zenith_angle_deg: float | None = None
    """Where the zenith is in the picture, counter-clockwise from up."""
    zenith_angle_error_deg: float = NORTH_ERROR_DEG


@dataclass(frozen=True)
class Spread:
    """Blue against red, as a vector that points to the zenith where the air alone is at work."""

    dy_px: float
    dx_px: float
    error_px: float
    """Standard error an axis."""
    misfit_sigmas: float
    """How far red and blue are from one line and from the ratio that the refractivity fixes; inf where not known."""

    @property
    def size_px(self) -> float:
        """Return how far blue stands from red."""
        return hypot(self.dy_px, self.dx_px)

    @property
    def angle_deg(self) -> float:
        """Return the direction from red to blue, counter-clockwise from up, 0 to 360."""
        return degrees(atan2(-self.dx_px, -self.dy_px)) % 360.0


def spread_of(red: Shift, blue: Shift) -> Spread:
    """Return how blue stands against red from both shifts against green, or from the one that was measured.

    The air moves a colour by (n - n(green)) / (n(blue) - n(red)) of the spread. With both colours that is only checked:
    `misfit_sigmas` weighs the rest by the shifts' errors and by bands whose middles are known to 10 nm. With one it
    gives the spread. Raises ValueError where neither was measured.
    """
    lift = np.array([_lift(RED_NM), _lift(BLUE_NM)])
    doubt = BAND_ERROR_NM * np.array([_slope(RED_NM), _slope(BLUE_NM)])
    shifts = np.array([[red.dy_px, red.dx_px], [blue.dy_px, blue.dx_px]])
    errors = np.array([red.error_px, blue.error_px])
    known = np.isfinite(errors)
    if not known.any():
        raise ValueError("neither red nor blue could be measured against green")
    if not known.all():
        one = int(np.flatnonzero(known)[0])
        dy, dx = shifts[one] / lift[one]
        error = hypot(float(errors[one]), float(doubt[one]) * hypot(dy, dx)) / abs(float(lift[one]))
        return Spread(float(dy), float(dx), error, inf)
    dy, dx = shifts[1] - shifts[0]
    left = shifts[0] - lift[0] * (shifts[1] - shifts[0])
    variance = float(((lift[::-1] * errors) ** 2).sum() + (doubt**2).sum() * (dy**2 + dx**2))
    return Spread(float(dy), float(dx), float(np.hypot(*errors)), float(np.sqrt((left**2).sum() / 2 / variance)))


def expected_spread_px(vertical: Vertical, scale_arcsec_per_px: float) -> tuple[float, float]:
    """Return how far blue must stand from red by the air alone, and the error of that (weather, bands)."""
    assert vertical.zenith_distance_deg is not None
    weather = pressure_at_mmhg(vertical.elevation_m)
    size = dispersion_arcsec(BLUE_NM, RED_NM, vertical.zenith_distance_deg, weather) / scale_arcsec_per_px
    bands = BAND_ERROR_NM * hypot(_slope(RED_NM), _slope(BLUE_NM))
    return size, size * hypot(bands, WEATHER_ERROR)


def vertical_of(
    look: Look | None, north_angle_deg: float | None, north_error_deg: float | None, circumstances: Circumstances
) -> Vertical:
    """Return the way up from how the target stood in the sky and from where north is in the picture."""
    if look is None or look.altitude_deg is None or look.altitude_deg < LOWEST_DEG:
        return Vertical()
    up = None
    if north_angle_deg is not None and look.parallactic_angle_deg is not None:
        # Position angles run from north through east, which is counter-clockwise on the sky.
        turn = -look.parallactic_angle_deg if circumstances.camera.mirrored else look.parallactic_angle_deg
        up = (north_angle_deg + turn) % 360.0
    lifted = look.altitude_deg + refraction_arcmin(look.altitude_deg) / 60
    return Vertical(90.0 - lifted, circumstances.site.elevation_m or 0.0, up, north_error_deg or NORTH_ERROR_DEG)


def expected_of(witness: Witness, circumstances: Circumstances, zoom: float) -> Expected | None:
    """Return where the air must put blue against red in a stack of `zoom` pixels per camera pixel; None if unknown."""
    vertical = vertical_of(witness.look, witness.north_angle_deg, witness.north_angle_error_deg, circumstances)
    camera_scale = circumstances.scale_arcsec_per_px
    scale = witness.scale_arcsec_per_px if camera_scale is None else camera_scale / zoom
    if vertical.zenith_distance_deg is None or scale is None:
        return None
    size, error = expected_spread_px(vertical, scale)
    if vertical.zenith_angle_deg is None:
        return Expected(size, error)
    up = radians(vertical.zenith_angle_deg)
    return Expected(size, error, (-cos(up), -sin(up)), radians(vertical.zenith_angle_error_deg))


def dispersion_figures(
    shifts: tuple[Shift, Shift] | None,
    vertical: Vertical,
    scale_arcsec_per_px: float | None,
    filter_name: str | None,
    notes: dict[str, str],
) -> dict[str, Any]:
    """Return the figures of `metrics.json` on dispersion; reasons for what is None go into `notes`.

    `shifts` are those of red and blue against green, None for mono, whose `filter_name` then tells the band. Where
    picture and physics disagree, `notes` says so under `dispersion_px`.
    """
    found: dict[str, Any] = dict.fromkeys(DISPERSION_KEYS)
    expected = None
    if vertical.zenith_distance_deg is None or scale_arcsec_per_px is None:
        notes["dispersion_expected_px"] = "needs a known target above the horizon, its time, the site and the scale"
    else:
        expected = expected_spread_px(vertical, scale_arcsec_per_px)
        found["dispersion_expected_px"], found["dispersion_expected_px_error"] = expected
    if shifts is None:
        return found | _of_one_band(filter_name, expected, notes)
    found["colour_shifts_px"] = [[s.dy_px, s.dx_px] if isfinite(s.error_px) else None for s in shifts]
    found["colour_shifts_px_error"] = [s.error_px for s in shifts]
    if not any(isfinite(shift.error_px) for shift in shifts):
        why = "no colour could be measured against green"
        notes |= dict.fromkeys(DISPERSION_KEYS[:3], why)
        return found | _in_bands(COLOUR_BANDS_NM, expected[0] if expected else None, notes)
    spread = spread_of(*shifts)
    found |= {"dispersion_px": spread.size_px, "dispersion_px_error": spread.error_px}
    if spread.size_px < max(LEAST_SPREAD_PX, DISAGREES_SIGMAS * spread.error_px):
        notes["dispersion_angle_deg"] = "the colours stand together"
    else:
        found["dispersion_angle_deg"] = spread.angle_deg
        found["dispersion_angle_deg_error"] = degrees(spread.error_px / spread.size_px)
    told = disagreements(spread, vertical, expected)
    if told:
        notes["dispersion_px"] = "; ".join(told)
    # What the air does inside a band is not undone by what brings the colours together, a prism apart.
    return found | _in_bands(COLOUR_BANDS_NM, spread.size_px, notes)


def _of_one_band(
    filter_name: str | None, expected: tuple[float, float] | None, notes: dict[str, str]
) -> dict[str, Any]:
    """Return what can be told of a mono capture: the smear inside its band."""
    notes |= dict.fromkeys(DISPERSION_KEYS[:3], "the picture has no colours")
    band = filter_named(filter_name)
    if band is None:
        notes["dispersion_in_band_px"] = "needs a filter of a known name"
        return {}
    return _in_bands((band.band_nm,), expected[0] if expected else None, notes)


def _in_bands(
    bands_nm: tuple[tuple[float, float], ...], separation_px: float | None, notes: dict[str, str]
) -> dict[str, Any]:
    """Return how far the air draws a point out inside each band when it sets blue this far from red."""
    if separation_px is None:
        notes["dispersion_in_band_px"] = notes["dispersion_expected_px"]
        return {}
    smear = [separation_px * smear_over_separation(band, (BLUE_NM, RED_NM)) for band in bands_nm]
    return {"dispersion_in_band_px": smear}


def disagreements(spread: Spread, vertical: Vertical, expected: tuple[float, float] | None) -> list[str]:
    """Return in words where the measured spread is not what the air alone makes."""
    told = []
    if isfinite(spread.misfit_sigmas) and spread.misfit_sigmas > DISAGREES_SIGMAS:
        told.append(
            "red and blue do not stand from green as air spreads colours: an optical element, a prism or unlike details"
        )
    if expected is None:
        return told
    size, error = expected
    along = spread.size_px
    if vertical.zenith_angle_deg is not None:
        up = radians(vertical.zenith_angle_deg)
        along, aside = (
            -spread.dy_px * cos(up) - spread.dx_px * sin(up),
            -spread.dy_px * sin(up) + spread.dx_px * cos(up),
        )
        tilt = radians(vertical.zenith_angle_error_deg) * size
        if abs(aside) > DISAGREES_SIGMAS * hypot(spread.error_px, tilt):
            told.append(
                f"blue stands {abs(aside):.1f} px beside the vertical from red: north or an optical element is off"
            )
    if abs(along - size) > DISAGREES_SIGMAS * hypot(spread.error_px, error):
        told.append(
            f"blue stands {along:.1f} px above red, where the air makes {size:.1f} +- {error:.1f}: a prism against"
            " dispersion, another time or place, or an optical element"
        )
    return told


def _lift(wavelength_nm: float) -> float:
    """Return how high a wavelength stands above green, where blue stands 1 above red."""
    return (refractivity(wavelength_nm) - refractivity(GREEN_NM)) / (refractivity(BLUE_NM) - refractivity(RED_NM))


def _slope(wavelength_nm: float) -> float:
    return refractivity_slope_per_nm(wavelength_nm) / (refractivity(BLUE_NM) - refractivity(RED_NM))
