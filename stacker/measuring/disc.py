"""Where a planet's disc is, how large and how turned: a lit spheroid fitted to the picture, with errors.

The limb decides, not the picture on the disc: brightness may vary freely around the disc, and the amount of limb
darkening and of blur are fitted too. Hence half a disc, or one that leaves the frame, does as well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.disc_guess import guess_discs
from stacker.measuring.disc_model import DiscView, Place
from stacker.measuring.disc_solver import Solution, settle
from stacker.sky.ephemeris import Look

Real = NDArray[np.float64]

_COARSE_PX, _FINE_PX = 24.0, 120.0
"""Largest radius of the two rounds; a larger picture is binned first."""
_ONLY_NOISE = 3.0
"""Correlation of the residuals above which there is a picture on the disc."""
_CENTRE_FLOOR, _RADIUS_FLOOR = 0.01, 0.03
"""Errors per pixel of blur that stay because no real blur is quite of the fitted family: measured on discs blurred by
an obstructed aperture and by turbulent air (tests/measuring/test_disc_fit.py)."""
_ORIENTABLE = 0.99
"""Axis ratio below which an outline shows where its pole is."""


@dataclass(frozen=True)
class DiscFit:
    """A fitted disc; errors are one standard deviation, the noise's correlation between pixels included."""

    centre_px: tuple[float, float]
    """(row, column) of the centre of the whole disc, pixel centres being whole numbers."""
    centre_error_px: tuple[float, float]
    radius_px: float
    """Equatorial."""
    radius_error_px: float
    pole_angle_deg: float
    """Of the north pole in the picture, counter-clockwise from up; for a plain spheroid at full phase, modulo 180."""
    pole_angle_error_deg: float | None
    """None where the angle was given."""
    limb_darkening: float
    """Minnaert's k."""
    blur_px: float
    """Sigma of the Gaussian part of the blur."""
    wing_px: float
    """Scale of its wings, which fall as the cube of the distance."""
    misfit: float
    """Residual rms over the disc's level."""


@dataclass(frozen=True)
class ScaleCheck:
    """The scale that a disc tells against the one that telescope and camera tell."""

    scale_arcsec_per_px: float
    scale_error_arcsec_per_px: float
    told_arcsec_per_px: float
    agrees: bool
    sentence: str


def fit_disc(
    image: NDArray[np.floating],
    view: DiscView | None = None,
    *,
    pole_angle_deg: float | None = None,
    usable: NDArray[np.bool_] | None = None,
) -> DiscFit | None:
    """Fit a disc to `image` (H, W), linear, any unit; None where there is no limb to be found.

    `view` is the target's shape and phase (`view_of` an ephemeris, or a sphere at full phase), `pole_angle_deg` its
    pole in the picture, counter-clockwise from up; fitted too where it is None and the shape or the phase shows it.
    `usable` (H, W) is False where something else is in the way. Least squares on the band around the limb (Gauss-Newton
    with damping), brightness varying as a Fourier series around it, outliers weighted down (Huber 1964).

    Limits: at least a quarter of the lit limb must be in the frame; the blur must be under a third of the radius.
    Raises ValueError for an image that is no plane.
    """
    if image.ndim != 2:
        raise ValueError(f"image has shape {image.shape}; give one plane (H, W)")
    view = view or DiscView()
    free = pole_angle_deg is None and (view.axis_ratio < _ORIENTABLE or view.phase_angle_deg > 5.0)
    good = np.isfinite(image) if usable is None else usable & np.isfinite(image)
    picture = np.where(good, image, 0.0).astype(np.float64)
    places = guess_discs(picture, good, view, pole_angle_deg, free)
    best: Solution | None = None
    for largest_px in (_COARSE_PX, _FINE_PX):
        # Coarse first: from far off, and for all the angles, a small picture is surer and quicker.
        factor = max(1, int(np.ceil(places[0].radius_px / largest_px))) if places else 1
        small = _binned(picture, good, factor)
        settled = [settle(*small, view, _scaled(place, 1.0 / factor), free) for place in places]
        found = [solution for solution in settled if solution is not None]
        if not found:
            return None
        best = _unbinned(min(found, key=lambda solution: solution.misfit), factor)
        places = [best.place]
    assert best is not None
    if best.correlation > _ONLY_NOISE:
        closer = settle(*small, view, _scaled(best.place, 1.0 / factor), free, narrow=True)
        best = best if closer is None else _unbinned(closer, factor)
    return _as_fit(best, view, free)


def _unbinned(solution: Solution, factor: int) -> Solution:
    lengths = np.ones(len(solution.gradient))
    lengths[[0, 1, 2, 4, 5]] = factor
    covariance = solution.covariance * np.outer(lengths, lengths)
    return replace(solution, place=_scaled(solution.place, factor), covariance=covariance)


def scale_from_disc(fit: DiscFit, look: Look) -> tuple[float, float]:
    """Return the image scale in arcsec per pixel and its error, from the target's diameter in the ephemeris."""
    scale = 0.5 * look.diameter_arcsec / fit.radius_px
    return scale, scale * fit.radius_error_px / fit.radius_px


def check_scale(fit: DiscFit, look: Look, told_arcsec_per_px: float) -> ScaleCheck:
    """Compare the disc's scale with what telescope and camera say.

    They agree within three errors or 2 %, whichever is more: focal lengths of mirrors that are moved to focus and of
    Barlow lenses are hardly known better (common practice, no source).
    """
    scale, error = scale_from_disc(fit, look)
    off = told_arcsec_per_px / scale - 1.0
    agrees = abs(told_arcsec_per_px - scale) <= max(3.0 * error, 0.02 * scale)
    sentence = (
        f"the disc tells {scale:.4f} +- {error:.4f} arcsec per pixel, telescope and camera {told_arcsec_per_px:.4f}"
    )
    if not agrees:
        sentence += f": {100 * off:+.1f} %, so the focal length in use is {abs(100 * off):.1f} % "
        sentence += "longer than was said" if off > 0 else "shorter than was said"
    return ScaleCheck(scale, error, told_arcsec_per_px, agrees, sentence)


def _as_fit(solution: Solution, view: DiscView, free: bool) -> DiscFit | None:
    """Return the fit; None for what is no disc."""
    place = solution.place
    error = np.sqrt(np.maximum(np.diag(solution.covariance), 0.0))
    softness = place.blur_px + place.wing_px
    error[:2] = np.hypot(error[:2], _CENTRE_FLOOR * softness)
    error[2] = np.hypot(error[2], _RADIUS_FLOOR * softness)
    if solution.misfit > 0.5 or place.blur_px > place.radius_px / 3.0:
        return None
    turn = 180.0 if free and view.phase_angle_deg <= 5.0 else 360.0
    return DiscFit(
        (place.y, place.x),
        (float(error[0]), float(error[1])),
        place.radius_px,
        float(error[2]),
        place.pole_angle_deg % turn,
        float(np.rad2deg(error[6])) if free else None,
        place.limb_darkening,
        place.blur_px,
        place.wing_px,
        solution.misfit,
    )


def _binned(picture: Real, good: NDArray[np.bool_], factor: int) -> tuple[Real, NDArray[np.bool_]]:
    """Return the picture with pixels `factor` times as large; one is good where all of its parts are."""
    if factor == 1:
        return picture, good
    rows, columns = (size // factor for size in picture.shape)
    shape = (rows, factor, columns, factor)
    cut = (slice(rows * factor), slice(columns * factor))
    return np.asarray(picture[cut].reshape(shape).mean((1, 3))), np.asarray(good[cut].reshape(shape).all((1, 3)))


def _scaled(place: Place, factor: float) -> Place:
    """Return a place in a picture whose pixels are `1 / factor` times as large."""
    return replace(
        place,
        y=(place.y + 0.5) * factor - 0.5,
        x=(place.x + 0.5) * factor - 0.5,
        radius_px=place.radius_px * factor,
        blur_px=place.blur_px * factor,
        wing_px=place.wing_px * factor,
    )
