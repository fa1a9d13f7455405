"""Seeing of simulated captures against their truth, and what cannot be measured is not guessed."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from stacker.alignment import find_repair
from stacker.capture import open_capture
from stacker.capture.circumstances import Circumstances, Site, Telescope
from stacker.measuring.air_fit import AirFit, _Model, fit_air
from stacker.measuring.asymmetry import static_asymmetry
from stacker.measuring.seeing import measure_seeing, with_motion_bound
from stacker.measuring.seeing_record import Seeing, seeing_figures
from stacker.measuring.spectral_ratio import SpectralRatio
from stacker.measuring.turbulence_place import differential_bound, place_of_turbulence, tilt_bound
from stacker.ranking import rank
from stacker.settings import RankingSettings
from stacker.simulation import Air, Detector, Optics, Scenario, TexturedDisc, write_simulation

TRUE_RATIO = 3.5


@pytest.fixture(scope="module")
def disc(tmp_path_factory: pytest.TempPathFactory) -> Path:
    scenario = Scenario(
        scene=TexturedDisc(),
        frames=160,
        height_px=128,
        width_px=128,
        optics=Optics(aperture_mm=280.0, obstruction_mm=84.0, focal_length_mm=4200.0),
        air=Air(d_over_r0=TRUE_RATIO, psf_grid=3, seeing_sigma=0.1),
        detector=Detector(bits=12, peak_electrons=1200.0),
    )
    path, _, _ = write_simulation(tmp_path_factory.mktemp("seeing") / "disc.fits", scenario, 77, "fits")
    return path


def _measured(path: Path, circumstances: Circumstances | None = None, workers: int = 1) -> Seeing:
    with open_capture(path) as capture:
        ranking = rank(capture, RankingSettings(target="disc"), 1)
        repair = find_repair(capture, ranking)
        return measure_seeing(capture, ranking, repair, circumstances or capture.circumstances, workers)


def _known(path: Path) -> Circumstances:
    with open_capture(path) as capture:
        return capture.circumstances


def test_fried_parameter_of_a_simulated_capture(disc: Path) -> None:
    """Within 25 %, and within twice its own error; r0 goes as lambda^(6/5) from 600 nm to 500 nm (Fried 1966)."""
    seen = _measured(disc)
    truth_mm = 280.0 / TRUE_RATIO * (500 / 600) ** 1.2
    assert seen.r0_mm is not None
    assert seen.r0_mm_error is not None
    assert seen.r0_mm == pytest.approx(truth_mm, rel=0.25)
    assert abs(seen.r0_mm - truth_mm) < 2 * seen.r0_mm_error < 0.6 * truth_mm
    assert seen.seeing_arcsec == pytest.approx(0.976 * 500e-6 / seen.r0_mm * 206264.8, rel=1e-3)
    assert seen.fried_ratio == pytest.approx(280.0 / seen.r0_mm * (500 / 600) ** 1.2)
    assert seen.focus != "defocused"
    assert "freeze" in seen.notes["r0_mm"]
    assert "20 m" in seen.notes["seeing_arcsec"]


def test_motion_between_patches_is_an_upper_bound(disc: Path) -> None:
    """Air near the telescope moves all patches alike: the bound lies above the truth."""
    seen = _measured(disc)
    assert seen.differential_bound_r0_mm is not None
    assert seen.differential_bound_r0_mm > 280.0 / TRUE_RATIO * (500 / 600) ** 1.2


def test_same_figures_for_any_number_of_workers(disc: Path) -> None:
    assert _measured(disc) == _measured(disc, workers=2)


def test_frames_that_show_no_patch_count_for_nothing(disc: Path) -> None:
    """A gust that throws the target out of a usable frame's middle costs that frame, not the figure."""
    with open_capture(disc) as capture:
        ranking = rank(capture, RankingSettings(target="disc"), 1)
        thrown = ranking.coarse_shift_px.copy()
        thrown[[0, 40, 90]] = 400.0
        moved = replace(ranking, coarse_shift_px=thrown)
        seen = measure_seeing(capture, moved, find_repair(capture, ranking), capture.circumstances)
    whole = _measured(disc)
    assert seen.r0_mm is not None
    assert whole.r0_mm is not None
    assert seen.r0_mm == pytest.approx(whole.r0_mm, rel=0.05)


def test_straight_up_the_air_is_thinner(disc: Path) -> None:
    """r0 at the zenith is airmass^0.6 larger (Fried 1966): Jupiter low over the horizon, from the ephemeris."""
    from stacker.sky.ephemeris import look_at
    from stacker.sky.vectors import Site as Place

    when = "2024-12-07T17:30:00Z"
    moment = datetime(2024, 12, 7, 17, 30, tzinfo=UTC)
    known = replace(_known(disc), target="Jupiter", start_utc=when, site=Site(None, 52.2, 13.1, 80.0))
    airmass = look_at("Jupiter", moment, Place(52.2, 13.1, 80.0)).airmass
    seen = _measured(disc, known)
    assert airmass is not None
    assert airmass > 1.2
    assert seen.r0_zenith_mm == pytest.approx((seen.r0_mm or 0.0) * airmass**0.6)
    assert "ephemeris" in _measured(disc).notes["r0_zenith_mm"]


def test_without_the_telescope_there_is_no_scale(disc: Path) -> None:
    """Only the aperture ties pixels to metres of air."""
    known = replace(_known(disc), telescope=Telescope())
    seen = _measured(disc, known)
    assert (seen.r0_mm, seen.seeing_arcsec, seen.focus) == (None, None, "cannot tell")
    assert "aperture_mm" in seen.notes["r0_mm"]


def test_coarse_pixels_are_refused(disc: Path) -> None:
    """Below 2 px per lambda/D (Nyquist) what folds over looks like air."""
    telescope = _known(disc).telescope
    known = replace(_known(disc), telescope=replace(telescope, focal_length_mm=2000.0))
    assert "2 px per lambda/D" in _measured(disc, known).notes["r0_mm"]


@pytest.mark.parametrize("electrons", [12.0, 36.0])
def test_faint_frames_are_refused(tmp_path: Path, electrons: float) -> None:
    """A few dozen electrons a pixel show the disc, but not the air."""
    scenario = Scenario(
        scene=TexturedDisc(contrast=0.05),
        frames=60,
        height_px=96,
        width_px=96,
        air=Air(psf_grid=2),
        detector=Detector(bits=12, peak_electrons=electrons),
    )
    path, _, _ = write_simulation(tmp_path / "faint.fits", scenario, 3, "fits")
    seen = _measured(path)
    assert seen.r0_mm is None
    assert seen.notes["r0_mm"]


def test_short_captures_are_refused(tmp_path: Path) -> None:
    scenario = Scenario(scene=TexturedDisc(), frames=20, height_px=96, width_px=96, air=Air(psf_grid=2))
    path, _, _ = write_simulation(tmp_path / "short.fits", scenario, 3, "fits")
    assert "36 usable frames" in _measured(path).notes["r0_mm"]


def test_bounds_from_motion() -> None:
    """Zernike tilt has 0.182 (lambda/D)^2 (D/r0)^(5/3) along one axis, and two unlike beams twice that between them.

    0.182 is 4 / pi^2 of Noll's 0.449 rad^2 (Noll 1976, J. Opt. Soc. Am. 66, 207).
    """
    assert 4 * 0.449 / np.pi**2 == pytest.approx(0.182, abs=5e-4)
    tilt = 0.182 * 4.0 ** (5 / 3)
    assert tilt_bound(tilt, 200.0) == pytest.approx(50.0)
    assert differential_bound((3.0, 2 * tilt), 200.0) == pytest.approx(50.0)
    assert tilt_bound(0.0, 200.0) is None
    assert differential_bound(None, 200.0) is None


def test_motion_of_the_whole_image_bounds_the_air(disc: Path) -> None:
    """Shifts drawn with the tilt variance of Noll 1976 give back the r0 that they were drawn for, within 15 %."""
    known = _known(disc)
    cutoff, aperture_mm = known.cutoff_cyc_per_px(), known.telescope.aperture_mm
    assert cutoff is not None
    assert aperture_mm is not None
    sigma_px = np.sqrt(0.182 * 4.0 ** (5 / 3)) / cutoff
    shift_px = np.random.default_rng(3).normal(0, sigma_px, (400, 2))
    moved = SimpleNamespace(shift_px=shift_px, shift_error_px=np.zeros(400))
    bound = with_motion_bound(Seeing(), moved, known).motion_bound_r0_mm  # type: ignore[arg-type]
    assert bound == pytest.approx(aperture_mm / 4.0 * (500 / 600) ** 1.2, rel=0.15)
    still = SimpleNamespace(shift_px=np.zeros((400, 2)), shift_error_px=np.zeros(400))
    assert "hardly moves" in with_motion_bound(Seeing(), still, known).notes["motion_bound_r0_mm"]  # type: ignore[arg-type]
    unknown = with_motion_bound(Seeing(), moved, replace(known, telescope=Telescope()))  # type: ignore[arg-type]
    assert "aperture_mm" in unknown.notes["motion_bound_r0_mm"]


def test_where_the_turbulence_sits() -> None:
    """All patches moving alike: near the ground; each for itself: high; too close together to tell: nothing."""
    whole = 2 * 0.182 * 4.0 ** (5 / 3)
    assert "ground" in place_of_turbulence((2.0, 0.05 * whole), 4.0, 1.0)
    assert "high above" in place_of_turbulence((2.0, 0.8 * whole), 4.0, 1.0)
    assert place_of_turbulence((2.0, 0.05 * whole), 4.0, 0.1) == ""


def test_figures_go_by_the_keys_of_the_metrics() -> None:
    """Errors stand beside what has them; reasons go to the notes."""
    notes: dict[str, str] = {}
    seen = Seeing(r0_mm=80.0, r0_mm_error=8.0, motion_bound_r0_mm=160.0, notes={"r0_zenith_mm": "no site"})
    found = seeing_figures(seen, notes)
    assert (found["r0_mm"], found["r0_mm_error"], found["r0_motion_bound_mm"]) == (80.0, 8.0, 160.0)
    assert (found["seeing_arcsec"], "seeing_arcsec_error" in found) == (None, False)
    assert notes == {"r0_zenith_mm": "no site"}


def _by_direction(twofold: float, fourfold: float, spread: float) -> SpectralRatio:
    rings, angle = np.linspace(0.1, 0.6, 10), (np.arange(8) + 0.5) * np.pi / 8
    sides = twofold * np.cos(2 * angle) + fourfold * np.cos(4 * angle)
    return SpectralRatio(rings, rings, rings, rings, rings, rings, sides, np.full(8, 0.02), spread, None, None, 1)


def test_astigmatism_has_a_direction() -> None:
    """Twofold out of focus, fourfold in focus (astigmatism's two line foci); a limb alone tells nothing."""
    assert static_asymmetry(_by_direction(0.02, 0.03, 0.6)) is None
    for told in (static_asymmetry(_by_direction(0.35, 0.0, 0.6)), static_asymmetry(_by_direction(0.0, 0.35, 0.6))):
        assert told is not None
        assert "35 +- " in told
    assert static_asymmetry(_by_direction(0.35, 0.0, 0.1)) is None


def test_defocus_of_a_simulated_disc(tmp_path: Path) -> None:
    """Half a wave in steady air is found, within 0.15 waves, and not taken for rough air."""
    scenario = Scenario(
        scene=TexturedDisc(),
        frames=160,
        height_px=128,
        width_px=128,
        optics=Optics(aperture_mm=280.0, obstruction_mm=84.0, focal_length_mm=4200.0, defocus_waves=0.5),
        air=Air(d_over_r0=2.3, psf_grid=3, seeing_sigma=0.05),
        detector=Detector(bits=12, peak_electrons=1200.0),
    )
    path, _, _ = write_simulation(tmp_path / "soft.fits", scenario, 78, "fits")
    seen = _measured(path)
    assert seen.focus == "defocused"
    assert seen.defocus_waves_pv == pytest.approx(0.5, abs=0.15)
    assert seen.fried_ratio == pytest.approx(2.3, rel=0.3)


def _seen_through(monkeypatch: pytest.MonkeyPatch, narrow: AirFit, wide: AirFit) -> None:
    """Let patches of 16 elements find one fit, and wider ones another."""
    curve, flat = np.linspace(0.1, 0.6, 10), np.full(8, 0.1)
    seen = SpectralRatio(curve, curve, curve, curve, curve, curve, flat, flat, 1.0, 0.05, None, 8)
    monkeypatch.setattr("stacker.measuring.seeing._look", lambda *rest: (seen, narrow if rest[4] < 20 else wide))


FITTED = AirFit(4.1, 0.06, 3.2, 0.1, 0.4, 0.05, 13.0, -13.0, 3.2, 1.0, 11, 0.24)


def test_defocus_in_rough_air_must_show_in_patches_of_both_widths(disc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where wide patches, which hold all of a rough blur, do not show it, nothing is claimed, and the doubt stays."""
    unsure = replace(FITTED, ratio=4.4, ratio_defocused=4.1, ratio_blurred=4.1, gain=5.0, price=3.0)
    _seen_through(monkeypatch, FITTED, unsure)
    told = _measured(disc)
    assert told.focus == "cannot tell"
    assert told.fried_ratio == pytest.approx(4.4 / 0.94)
    _seen_through(monkeypatch, FITTED, replace(unsure, gain=0.0))
    assert (_measured(disc).r0_mm_error or 0.0) < (told.r0_mm_error or 0.0)
    _seen_through(monkeypatch, FITTED, replace(FITTED, ratio=7.0))
    assert _measured(disc).focus == "defocused"
    assert _measured(disc).fried_ratio == pytest.approx(3.2)


def test_what_is_undecided_is_in_the_figure_and_its_error(disc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two points (focus, or calmer air seen out of focus) have a mean between and a deviation of sqrt(p q) their width.

    With equal costs the odds are those held beforehand, three to one; where defocus is ruled out, focus is all.
    """
    open_case = replace(FITTED, ratio=3.6, ratio_defocused=3.6, ratio_blurred=2.4, gain=0.0, price=0.0)
    ruled_out = replace(open_case, price=200.0)
    _seen_through(monkeypatch, open_case, open_case)
    unsure = _measured(disc)
    _seen_through(monkeypatch, ruled_out, ruled_out)
    sure = _measured(disc)
    assert sure.fried_ratio == pytest.approx(3.6)
    assert unsure.focus == "cannot tell"
    assert unsure.fried_ratio == pytest.approx(3.6 * (2.4 / 3.6) ** 0.25)
    assert unsure.fried_ratio_error is not None and sure.fried_ratio_error is not None
    wider = (unsure.fried_ratio_error / unsure.fried_ratio) ** 2 - (sure.fried_ratio_error / 3.6) ** 2
    assert wider**0.5 == pytest.approx(0.1875**0.5 * np.log(1.5), rel=0.05)


def test_slight_defocus_is_shared_with_the_air(disc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where only a slight defocus is left, D/r0 stands half way between the fits without and with it."""
    slight = replace(FITTED, ratio=3.0, ratio_defocused=2.4, defocus_waves=0.15, gain=12.0, price=20.0)
    _seen_through(monkeypatch, slight, slight)
    told = _measured(disc)
    assert told.focus == "sharp"
    assert told.fried_ratio == pytest.approx((3.0 * 2.4) ** 0.5, rel=0.01)


def test_focus_can_be_sure_where_the_air_is_not(disc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A defocus that saves much is told though how much of the blur is left for the air stays open.

    With 0.1 for what defocus leaves unsure, 0.25 of the fit's own makes 0.27, more than the quarter that is told; 0.15
    makes 0.18.
    """
    tight = replace(FITTED, ratio=3.9, ratio_defocused=2.4, ratio_defocused_error=0.15)
    _seen_through(monkeypatch, tight, tight)
    found = _measured(disc)
    assert found.r0_mm is not None and found.r0_mm_error == pytest.approx(0.18 * found.r0_mm, rel=0.03)
    loose = replace(tight, ratio_defocused_error=0.25)
    _seen_through(monkeypatch, loose, loose)
    told = _measured(disc)
    assert told.r0_mm is None and told.notes["r0_mm"]
    assert told.focus == "defocused" and told.defocus_waves_pv == 0.4
    assert "defocus_waves_pv" not in told.notes


def test_rough_air_hides_defocus(disc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where air of D/r0 4 would be left beside the defocus, nothing is claimed, whatever it saves; beside 2.6 it is."""
    rough = replace(FITTED, ratio=5.2, ratio_defocused=4.0, ratio_blurred=4.0, gain=50.0, price=-50.0)
    _seen_through(monkeypatch, rough, rough)
    assert _measured(disc).focus == "cannot tell"
    plain = replace(rough, ratio_defocused=2.6, ratio_blurred=2.6)
    _seen_through(monkeypatch, plain, plain)
    assert _measured(disc).focus == "defocused"


def test_more_freedom_never_fits_worse(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the search with defocus ends in a hollow above the fit in focus, focus it is: models nest in cost."""
    curve, flat = np.linspace(0.1, 0.6, 10), np.full(8, 0.1)
    seen = SpectralRatio(curve, curve, flat.mean() + 0 * curve, 0 * curve, flat.mean() + 0 * curve, 1e3 + curve, flat,
                         flat, 1.0, 0.05, None, 8)  # fmt: skip
    whole = fit_air(seen, 0.2, 200.0, 5e-5)
    honest, costs = _Model.best, iter((0.0, 30.0, 20.0))
    monkeypatch.setattr(_Model, "best", lambda *a: (honest(*a)[0], next(costs)))
    hollow = fit_air(seen, 0.2, 200.0, 5e-5)
    assert whole is not None and hollow is not None
    assert hollow.gain == 0.0 and hollow.defocus_waves == 0.0
    assert hollow.ratio_defocused == hollow.ratio == whole.ratio


def test_patches_of_two_widths_must_agree_through_a_small_telescope(
    disc: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Layers high above part what a small telescope sees within a patch, and a wider patch all the more."""
    small = replace(FITTED, ratio=7.7, ratio_defocused=7.7, ratio_blurred=7.7, gain=0.0, beam_apart=1.1)
    _seen_through(monkeypatch, small, replace(small, ratio=5.4))
    assert "disagree" in _measured(disc).notes["r0_mm"]
    _seen_through(monkeypatch, small, replace(small, ratio=7.0))
    assert _measured(disc).r0_mm is not None


def test_small_telescopes_must_be_surer_of_defocus(disc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where beams part within a patch, chance makes air look like defocus: what convinces at 280 mm does not at 80."""
    large = replace(FITTED, ratio=3.4, ratio_defocused=2.3, gain=1.6, price=-1.6, ratio_blurred=2.3, misfit=0.8)
    _seen_through(monkeypatch, large, large)
    assert _measured(disc).focus == "defocused"
    small = replace(large, beam_apart=2.7)
    _seen_through(monkeypatch, small, small)
    assert _measured(disc).focus == "cannot tell"
    plain = replace(small, gain=4.5, price=-4.5)
    _seen_through(monkeypatch, plain, plain)
    assert _measured(disc).focus == "defocused"


def test_defocus_through_a_small_telescope_must_show_in_wide_patches_too(
    disc: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In rough air alone: what narrow patches take for defocus is refused where wide ones see none."""
    small = replace(FITTED, ratio=4.4, ratio_defocused=3.1, gain=9.0, price=-9.0, ratio_blurred=3.1, beam_apart=1.1)
    blind = replace(small, gain=0.4, price=1.0)
    _seen_through(monkeypatch, small, blind)
    told = _measured(disc)
    assert "disagree" in told.notes["r0_mm"] and told.focus == "cannot tell"
    _seen_through(monkeypatch, small, small)
    assert _measured(disc).focus == "defocused"
    calm = replace(small, ratio=3.8)
    _seen_through(monkeypatch, calm, blind)
    assert _measured(disc).focus == "defocused"
