"""What an eyepiece makes of a telescope, and how long the sky stays in its field."""

from __future__ import annotations

import math

SIDEREAL_ARCSEC_PER_S = 15.041067
"""Turn of the sky at its equator."""


def magnification(focal_length_mm: float, eyepiece_mm: float) -> float:
    """Return focal length over the eyepiece's. Raises ValueError where a length is not positive."""
    _require_positive(focal_length_mm=focal_length_mm, eyepiece_mm=eyepiece_mm)
    return focal_length_mm / eyepiece_mm


def exit_pupil_mm(aperture_mm: float, times: float) -> float:
    """Return the width of the beam behind an eyepiece that magnifies `times`: aperture over magnification."""
    _require_positive(aperture_mm=aperture_mm, times=times)
    return aperture_mm / times


def true_field_deg(apparent_field_deg: float, times: float) -> float:
    """Return the field on the sky of an eyepiece of this apparent field: good to a tenth, since eyepieces distort."""
    _require_positive(apparent_field_deg=apparent_field_deg, times=times)
    return apparent_field_deg / times


def field_of_stop_deg(field_stop_mm: float, focal_length_mm: float) -> float:
    """Return the field on the sky that a field stop of this width lets through: exact."""
    _require_positive(field_stop_mm=field_stop_mm, focal_length_mm=focal_length_mm)
    return math.degrees(2.0 * math.atan(0.5 * field_stop_mm / focal_length_mm))


def unguided_time_s(field_arcsec: float, declination_deg: float = 0.0) -> float:
    """Return how long a target at this declination takes through the middle of the field of a telescope at rest.

    Infinite at the pole. Raises ValueError where the field is not positive or the declination is none.
    """
    _require_positive(field_arcsec=field_arcsec)
    if not -90.0 <= declination_deg <= 90.0:
        raise ValueError(f"declination_deg is {declination_deg}; give -90 to 90")
    speed = SIDEREAL_ARCSEC_PER_S * math.cos(math.radians(declination_deg))
    return field_arcsec / speed if speed > 1e-9 else math.inf


def _require_positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise ValueError(f"{name} is {value}; give a positive number")
