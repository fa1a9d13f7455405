"""The measurements that go into metrics.json, with reasons for what is missing."""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter

from stacker.capture.circumstances import Camera, Circumstances, Telescope
from stacker.measuring.metrics import limb_figures, measure_stack
from stacker.stacking.record import Stack

KNOWN = Circumstances(
    wavelength_nm=600.0,
    telescope=Telescope(aperture_mm=250.0, focal_length_mm=3750.0),
    camera=Camera(pixel_um=3.0),
)
KEYS = {
    "snr",
    "snr_best_frame",
    "scale_arcsec_per_px",
    "disc_radius_px",
    "north_angle_deg",
    "resolution_px",
    "resolution_px_error",
    "resolution_arcsec",
    "resolution_arcsec_error",
    "resolution_over_diffraction",
    "resolution_over_diffraction_error",
    "information_bits",
    "notes",
}


def a_stack(kind: str = "surface", noise: float = 2.0, contrast: float = 50.0, colours: int = 0) -> Stack:
    """Return a stack of blurred texture, or a textured disc, on level 500."""
    rng = np.random.default_rng(51)
    y, x = np.mgrid[:160, :160] - 79.5
    mask = np.hypot(y, x) < 60 if kind == "disc" else np.ones((160, 160), bool)
    texture = gaussian_filter(rng.standard_normal((160, 160)), 2.0)
    scene = gaussian_filter(np.where(mask, 500 + contrast * texture / texture.std(), 0.0), 1.5)
    halves = [(scene + noise * np.sqrt(2) * rng.standard_normal(scene.shape)).astype(np.float32) for _ in range(2)]
    planes = [0.5 * (halves[0] + halves[1]), np.ones_like(halves[0]), np.ones_like(halves[0]), *halves]
    if colours:
        planes = [np.repeat(p[..., None], colours, 2) for p in planes]
    return Stack(*planes, mask, kind, None, np.full(50, 0.02))


def test_every_key_is_there_and_json_takes_it() -> None:
    """Of a surface all but what only a disc tells, whose absence has its reason."""
    stack = a_stack()
    frame = stack.image + 10 * np.random.default_rng(1).standard_normal(stack.image.shape).astype(np.float32)
    found = measure_stack(stack, frame, KNOWN)
    assert set(found) == KEYS
    assert json.loads(json.dumps(found)) == found
    assert [k for k in KEYS if found[k] is None] and set(found["notes"]) == {"disc_radius_px", "north_angle_deg"}


def test_units_hang_together() -> None:
    """Arcsec are pixels times scale; over diffraction is in units of lambda/D = 3 px here."""
    found = measure_stack(a_stack(), None, KNOWN)
    assert_allclose(found["scale_arcsec_per_px"], 206.265 * 3.0 / 3750.0, rtol=1e-5)
    assert_allclose(found["resolution_arcsec"], found["resolution_px"] * found["scale_arcsec_per_px"])
    assert_allclose(found["resolution_over_diffraction"], found["resolution_px"] / 3.0)
    assert_allclose(
        found["resolution_arcsec_error"] / found["resolution_arcsec"],
        found["resolution_px_error"] / found["resolution_px"],
    )


def test_signal_to_noise_is_level_over_noise() -> None:
    """500 over 2, and 500 over 20 for a single frame."""
    stack = a_stack(noise=2.0)
    frame = np.asarray(stack.image + 20 * np.random.default_rng(2).standard_normal(stack.image.shape), np.float32)
    found = measure_stack(stack, frame, KNOWN)
    assert_allclose(found["snr"], 250.0, rtol=0.05)
    assert_allclose(found["snr_best_frame"], 500 / np.hypot(20, 2), rtol=0.05)


@pytest.mark.parametrize("filled", [False, True])
def test_a_mosaic_frame_is_measured_on_its_green(filled: bool) -> None:
    """Raw with red and blue at a third of green, or filled by interpolation: level over the noise of green samples."""
    rng = np.random.default_rng(3)
    raw = np.full((160, 160), 500.0)
    raw[::2, ::2] = raw[1::2, 1::2] = 170.0
    raw += 10.0 * rng.standard_normal(raw.shape)
    frame = raw.astype(np.float32)
    if filled:
        fill = (np.roll(raw, 1, 0) + np.roll(raw, -1, 0) + np.roll(raw, 1, 1) + np.roll(raw, -1, 1)) / 4
        green = raw.copy()
        green[::2, ::2], green[1::2, 1::2] = fill[::2, ::2], fill[1::2, 1::2]
        frame = np.repeat(green[..., None], 3, 2).astype(np.float32)
    found = measure_stack(a_stack(colours=3), frame, KNOWN)
    assert_allclose(found["snr_best_frame"], 50.0, rtol=0.06)


def test_what_is_unknown_says_what_it_needs() -> None:
    """No telescope, no best frame: None each, with its reason."""
    found = measure_stack(a_stack("disc"), None, Circumstances())
    for key in ("snr_best_frame", "scale_arcsec_per_px", "resolution_arcsec"):
        assert found[key] is None and found["notes"][key]
    assert found["resolution_px"] is not None


@pytest.mark.parametrize("kind", ["disc", "surface"])
def test_no_detail_no_resolution(kind: str) -> None:
    """Noise: no resolution, no information, and the reason."""
    found = measure_stack(a_stack(kind, noise=20.0, contrast=0.0), None, KNOWN)
    assert found["resolution_px"] is None and found["information_bits"] is None
    assert "noise" in found["notes"]["resolution_px"]


def test_a_disc_has_its_limb_measured() -> None:
    """An unsharpened disc shows no overshoot; colour is measured on green."""
    for colours in (0, 3):
        stack = a_stack("disc", contrast=10.0, colours=colours)
        notes: dict[str, str] = {}
        found = limb_figures(stack, stack.image, notes)
        assert not notes
        assert found["limb_overshoot_percent"] is not None and found["limb_overshoot_percent"] < 1.5
        assert limb_figures(stack, None, notes)["limb_overshoot_percent"] is None and notes["limb_overshoot_percent"]


def test_one_half_empty_is_told() -> None:
    """Too few frames for two halves: nothing is made up."""
    stack = a_stack()
    lone = Stack(**{**vars(stack), "half_b": np.zeros_like(stack.half_b)})
    found = measure_stack(lone, None, KNOWN)
    assert found["resolution_px"] is None
