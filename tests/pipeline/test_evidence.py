"""What a run shows beside its pictures: the sharpest frame as it was, and curves that agree with the numbers."""

import json
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.alignment import align
from stacker.capture import open_capture
from stacker.measuring.resolution import half_bit_threshold
from stacker.measuring.spectra import analysis_window
from stacker.measuring.warp import warp_field
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.run_folder.curves_file import CURVE_KEYS
from stacker.settings import RankingSettings


def _curves(trial: Any) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((trial.run.folder / "curves.json").read_text(encoding="utf-8"))
    return found


@pytest.fixture(params=["planet", "surface"])
def trial(request: pytest.FixtureRequest) -> Any:
    return request.getfixturevalue(request.param)


def test_curves_come_in_their_order_with_the_schema_first(trial: Any) -> None:
    assert tuple(_curves(trial)) == ("schema_version", *CURVE_KEYS)


def test_the_correlation_is_the_one_that_the_resolution_was_read_from(trial: Any) -> None:
    """Six digits are written; the half-bit curve is van Heel & Schatz 2005 for the modes of each ring."""
    curve, metrics = _curves(trial)["correlation"], trial.run.metrics
    assert curve["half_bit_px"] == pytest.approx(metrics["resolution_px"], rel=1e-5)
    np.testing.assert_allclose(curve["half_bit"], half_bit_threshold(np.array(curve["modes"])), rtol=1e-4)
    f, c, h = (np.array(curve[key]) for key in ("frequency_cyc_per_px", "correlation", "half_bit"))
    beyond = f > 1.5 / curve["half_bit_px"]
    assert np.mean(c[beyond] < h[beyond]) > 0.8


def test_the_best_frame_shows_the_same_target_in_the_same_place(trial: Any) -> None:
    """Coarse detail agrees with the finished picture; the single frame is the noisier one."""
    best = cv2.imread(str(trial.run.folder / "best_frame.png"), cv2.IMREAD_UNCHANGED).astype(np.float32)
    finished = cv2.imread(str(trial.run.folder / "finished.png"), cv2.IMREAD_UNCHANGED).astype(np.float32) / 257
    assert best.shape == finished.shape

    def smooth(image: NDArray[np.float32]) -> NDArray[np.float32]:
        return cv2.GaussianBlur(image, (0, 0), 3.0)[16:-16, 16:-16]

    moved, _ = cv2.phaseCorrelate(smooth(finished), smooth(best))
    assert np.hypot(*moved) < 1.5  # the coarse shift is good to a pixel or so
    assert np.corrcoef(smooth(best).ravel(), smooth(finished).ravel())[0, 1] > 0.9
    noise = [cv2.Laplacian(image, cv2.CV_32F).std() for image in (best, finished)]
    assert noise[0] > 1.5 * noise[1]


def test_the_limb_of_a_planet_falls_from_disc_to_sky(planet: Any, surface: Any) -> None:
    limb = _curves(planet)["limb"]
    for name in ("stack", "finished"):
        d, p = np.array(limb[name]["distance_px"]), np.array(limb[name]["brightness"])
        assert p[d < -6].mean() > 0.8
        assert abs(p[d > 8].mean()) < 0.1
        assert abs(np.interp(0.0, d, p) - 0.5) < 0.1
    assert _curves(surface)["limb"] is None


def test_the_warp_field_is_what_full_resolution_gives(surface: Any) -> None:
    """Fast against slow: means over 16 px cells of the dense fields of all pixels, frame by frame."""
    with open_capture(surface.path) as capture:
        ranking = centred(rank(capture, RankingSettings()))
        alignment = align(capture, ranking)
    mask = ranking.target.mask
    field = warp_field(alignment, mask)
    assert field is not None
    level = alignment.level(1)
    sample = np.linspace(0, len(alignment.frames) - 1, field.frames).astype(int)
    dense = np.array([level.displacement(alignment.modes, alignment.coefficients[k]) for k in sample])
    rows, columns = field.dy_px.shape
    cells = dense.reshape(len(sample), 2, rows, field.cell_px, columns, field.cell_px).mean((3, 5))
    inside = np.isfinite(field.rms_px)
    cells -= cells[:, :, inside].mean(2)[..., None, None]
    slow = np.sqrt((cells**2).sum(1).mean(0))
    # A cell's mean differs from its middle by the field's bend over 16 px, some hundredths of a pixel.
    np.testing.assert_allclose(field.rms_px[inside], slow[inside], atol=0.08 * slow[inside].max())
    shown = int(np.flatnonzero(alignment.frames[sample] == field.frame)[0])
    np.testing.assert_allclose(field.dx_px[inside], cells[shown, 1][inside], atol=0.1 * slow[inside].max())
    assert np.abs(slow[inside]).max() > 0.1


def test_a_window_is_the_same_to_the_last_bit_every_time(planet: Any) -> None:
    """OpenCV's exact distance transform differs in its last digit from call to call."""
    with open_capture(planet.path) as capture:
        mask = rank(capture, RankingSettings()).target.mask
    windows = [analysis_window(mask, "disc") for _ in range(8)]
    assert len({window.weight.tobytes() for window in windows}) == 1
