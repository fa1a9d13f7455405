"""Comparison calls what differs and is silent where nothing does, at the rate that it claims."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stacker.logbook import LoggedRun, compare_runs
from stacker.logbook.comparison_record import BETTER, CANNOT_TELL, HIGHER, NO_DIFFERENCE, Comparison, Difference
from stacker.logbook.comparison_words import ranking_of
from stacker.logbook.fairness import R0_NM, core_left, judge
from stacker.logbook.figures import OF_THE_AIR_ONLY
from stacker.logbook.typical import typical_runs
from stacker.settings import SettingsError
from stacker.sky.optics import diffraction_arcsec

MakeRun = Callable[..., LoggedRun]


def _row(told: Comparison, name: str) -> Any:
    return next(row for row in told.rows if row.figure.name == name)


def _first(told: Comparison, name: str) -> Difference:
    return _row(told, name).differences[0]


def _reached(
    make_run: MakeRun,
    random: np.random.Generator,
    number: int,
    *,
    over: float,
    d_over_r0: float,
    aperture: float,
    **told: Any,
) -> LoggedRun:
    """Return a run that drew its resolution about `over` times lambda / D, as captures of one truth scatter."""
    error = 0.03
    drawn = over * np.exp(np.hypot(error, OF_THE_AIR_ONLY * (over - 1.0)) * random.normal())
    limit = diffraction_arcsec(aperture, 550.0)
    r0 = aperture / d_over_r0 / (550.0 / R0_NM) ** 1.2 * np.exp(0.08 * random.normal())
    measured = {
        "resolution_over_diffraction": (drawn, error * drawn),
        "resolution_arcsec": (drawn * limit, error * drawn * limit),
        "r0_mm": (r0, 0.08 * r0),
        "seeing_arcsec": (99.0 / r0, 0.08 * 99.0 / r0),
        "snr": (100 * np.exp(0.15 * random.normal()),),
    }
    return make_run(number, aperture_mm=aperture, measured=measured, **told)


def _over_expected_truth(d_over_r0: float, threshold: float = 0.025) -> float:
    """Return what a telescope of usual quality reaches in such air: where M(x) c falls to the threshold."""
    x = np.linspace(0.05, 0.999, 4000)
    transfer = 2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x**2))
    return float(1 / x[np.flatnonzero(transfer * core_left(np.array(d_over_r0)) >= threshold)[-1]])


def test_two_runs_of_one_truth_and_two_of_different_ones(make_run: MakeRun) -> None:
    """2 % apart with 3 % errors is no difference; half as fine again is one. The words say which way."""
    numbers = [("resolution_over_diffraction", 1.1, 0.033), ("resolution_arcsec", 0.55, 0.0165)]
    one = make_run(1, measured={name: (value, error) for name, value, error in numbers})
    same = make_run(2, measured={name: (1.02 * value, error) for name, value, error in numbers})
    other = make_run(3, measured={name: (1.5 * value, error) for name, value, error in numbers})
    silent = _first(compare_runs([one, same]), "resolution_arcsec")
    assert silent.verdict == NO_DIFFERENCE and "no difference" in silent.sentence
    assert 1.1 < silent.detectable < 2.0
    found = _first(compare_runs([one, other]), "resolution_arcsec")
    assert found.verdict == BETTER and "better, smaller" in found.sentence
    assert_allclose(found.value, 1 / 1.5, rtol=1e-9)


def test_a_number_without_error_bar_is_not_judged_from_one_run_each(make_run: MakeRun) -> None:
    told = compare_runs([make_run(1, measured={"snr": (100.0,)}), make_run(2, measured={"snr": (300.0,)})])
    found = _first(told, "snr")
    assert found.verdict == CANNOT_TELL and "no error bar" in found.sentence


def test_one_truth_shows_a_difference_in_one_of_twenty_tables_at_most(
    make_run: MakeRun, random: np.random.Generator
) -> None:
    """Three telescopes of the same quality, four nights, two targets; every figure and pair counts. 300 tables at the
    claimed 5 % or less: at most 8.8 % (3 standard deviations of a binomial); and not so shy that it never errs."""
    false = []
    for trial in range(300):
        runs = [
            _reached(make_run, random, 1000 * trial + 10 * i + j, over=1.6, d_over_r0=5.5, aperture=200.0,
                     telescope=f"telescope {j}", night=f"2031-04-0{1 + i % 4}", target=f"target {i // 4}")
            for i in range(8)
            for j in range(3)
        ]  # fmt: skip
        told = compare_runs(runs, "telescope")
        false.append(
            any(found.verdict not in (NO_DIFFERENCE, CANNOT_TELL) for row in told.rows for found in row.differences)
        )
    assert 0 < np.mean(false) <= 0.088


def test_a_real_difference_of_a_sixth_is_found(make_run: MakeRun, random: np.random.Generator) -> None:
    """A telescope that reaches 20 % less over a season of 12 captures each is found in nine of ten seasons."""
    found = []
    for trial in range(40):
        runs = [
            _reached(make_run, random, 1000 * trial + 10 * i + j, over=(1.25, 1.5)[j], d_over_r0=3.0, aperture=200.0,
                     telescope=("good", "poor")[j], night=f"2031-04-{1 + i:02d}")
            for i in range(12)
            for j in range(2)
        ]  # fmt: skip
        found.append(_first(compare_runs(runs, "telescope"), "resolution_over_diffraction").verdict == BETTER)
    assert np.mean(found) >= 0.9


def test_a_small_telescope_in_calm_air_and_a_large_one_in_rough_air_are_judged_fairly(
    make_run: MakeRun, random: np.random.Generator
) -> None:
    """Both of usual quality: against their diffraction limits the large one looks poor, against what its aperture can
    show in that air there is no difference. Then the large one is 1.6 times worse than its air allows, and it shows."""

    def season(quality: float) -> Comparison:
        runs = []
        for i in range(10):
            for name, aperture, air in (("small", 80.0, 2.0), ("large", 400.0, 7.0)):
                over = _over_expected_truth(air) * (quality if name == "large" else 1.0)
                runs.append(
                    _reached(make_run, random, 10 * i + int(aperture), over=over, d_over_r0=air, aperture=aperture,
                             telescope=name, night=f"2031-04-{(1 if name == 'small' else 11) + i:02d}")
                )  # fmt: skip
        return compare_runs(runs, "telescope")

    fair = season(1.0)
    assert _first(fair, "resolution_over_expected").verdict == NO_DIFFERENCE
    assert _first(fair, "resolution_over_diffraction").verdict == CANNOT_TELL
    assert "share no target, filter and night" in _first(fair, "resolution_over_diffraction").sentence
    means = _row(fair, "resolution_over_diffraction").means
    assert means[0].value > 1.3 * means[1].value
    unfair = _row(season(1.6), "resolution_over_expected")
    assert unfair.differences[0].verdict == "worse"
    assert [fair.groups[index].label for index in unfair.order] == ["small", "large"]


def test_limits_of_many_runs_are_those_of_each(make_run: MakeRun, random: np.random.Generator) -> None:
    """The slow twin of the columns: run by run, in plain arithmetic, with whatever is missing."""
    numbers = {"resolution_arcsec": 0.6, "resolution_over_diffraction": 1.5, "r0_mm": 60.0}
    runs = []
    for number in range(60):
        told = {name: value * float(np.exp(0.2 * random.normal())) for name, value in numbers.items()}
        found = {name: (value, 0.05 * value) if random.random() < 0.8 else (value,) for name, value in told.items()}
        kept = {name: one for name, one in found.items() if random.random() < 0.8}
        runs.append(
            make_run(number, measured=kept, aperture_mm=float(random.integers(80, 400)), target=f"t{number % 3}")
        )
    for run, fair in zip(runs, judge(runs), strict=True):
        assert fair.run is run and run.aperture_mm is not None
        limit, fried = diffraction_arcsec(run.aperture_mm, 550.0), run.measured.get("r0_mm")
        assert fair.resolution_arcsec == run.measured.get("resolution_arcsec")
        assert_allclose(fair.diffraction_arcsec or 0.0, limit)
        assert (fair.d_over_r0 is None) == (fair.seeing_arcsec is None) == (fried is None)
        if fried is None or fair.d_over_r0 is None or fair.seeing_arcsec is None:
            assert fair.expected_arcsec is None and fair.over_expected is None and fair.over_seeing is None
            continue
        r0_mm = fried.value * 1.1**1.2
        assert_allclose(fair.d_over_r0.value, run.aperture_mm / r0_mm)
        assert_allclose(fair.seeing_arcsec, 0.9755 * 550e-6 / r0_mm * 206264.806, rtol=1e-8)
        assert (fair.d_over_r0.error is None) == (fried.error is None)
        over, size = fair.over_diffraction, fair.resolution_arcsec
        if over is not None and fair.over_expected is not None and fair.expected_arcsec is not None:
            assert_allclose(fair.over_expected.value, over.value * limit / fair.expected_arcsec)
            assert (fair.over_expected.error is None) == (over.error is None or fried.error is None)
        if size is not None and fair.over_seeing is not None and fair.over_seeing.error is not None:
            assert_allclose(fair.over_seeing.value, size.value / fair.seeing_arcsec)
            assert_allclose(fair.over_seeing.error / fair.over_seeing.value, np.hypot(0.05, 0.05))


def test_limits_of_one_run(make_run: MakeRun) -> None:
    """lambda / D of 254 mm at 550 nm is 0.447 arcsec (113.4 / D); D / r0 follows the wavelength's 1.2nd power; the
    seeing disc is 0.976 lambda / r0 (Fried 1966)."""
    run = make_run(
        1,
        measured={"resolution_over_diffraction": (1.5, 0.05), "resolution_arcsec": (0.67, 0.02), "r0_mm": (60.0, 6.0)},
    )
    (fair,) = judge([run])
    assert fair.diffraction_arcsec is not None and fair.seeing_arcsec is not None
    assert fair.d_over_r0 is not None and fair.over_expected is not None and fair.expected_arcsec is not None
    assert_allclose(fair.diffraction_arcsec, 113.4 / 254, rtol=1e-3)
    assert_allclose(fair.d_over_r0.value, 254 / (60 * 1.1**1.2), rtol=1e-9)
    assert_allclose(fair.seeing_arcsec, 0.9755 * 550e-6 / (60 * 1.1**1.2) * 206264.8, rtol=1e-3)
    # A target's only run is its own yardstick.
    assert_allclose(fair.over_expected.value, 1.0, rtol=1e-3)
    assert fair.over_expected.error is not None and fair.over_expected.error > 0.05 / 1.5


def test_keep_percentages_are_compared_capture_by_capture(make_run: MakeRun, random: np.random.Generator) -> None:
    """Captures differ tenfold, keeping 20 % is 3 % better in each: the pairs tell. Groups stand in order of number."""
    runs = [
        make_run(i, capture=f"capture {i}", keep=keep,
                 measured={"snr": (10.0 ** (i % 2) * gain * np.exp(0.01 * random.normal()),)})
        for i in range(10)
        for keep, gain in ((100.0, 1.0), (20.0, 1.03))
    ]  # fmt: skip
    told = compare_runs(runs, "keep")
    assert [group.label for group in told.groups] == ["keep 20", "keep 100"]
    assert _first(told, "snr").verdict == BETTER


def test_what_is_neither_better_nor_worse_is_higher_or_lower(make_run: MakeRun) -> None:
    numbers = {"scale_arcsec_per_px": (0.2,)}
    one = make_run(1, measured={**numbers, "image_motion_px_rms": (9.0, 0.3)})
    other = make_run(2, measured={**numbers, "image_motion_px_rms": (3.0, 0.1)})
    found = _first(compare_runs([one, other]), "image_motion_arcsec")
    assert found.verdict == HIGHER and "larger than" in found.sentence


def test_runs_in_another_order_tell_the_same(make_run: MakeRun, random: np.random.Generator) -> None:
    """Permuting runs changes nothing but rounding."""
    runs = [
        _reached(make_run, random, i, over=1.4, d_over_r0=4.0, aperture=200.0,
                 telescope=f"t{i % 3}", night=f"2031-04-0{1 + i // 3}")
        for i in range(12)
    ]  # fmt: skip
    one, other = compare_runs(runs, "telescope"), compare_runs(runs[::-1], "telescope")
    assert [group.label for group in one.groups] == [group.label for group in other.groups]
    for mine, theirs in zip(one.rows, other.rows, strict=True):
        assert_allclose([d.value for d in mine.differences], [d.value for d in theirs.differences], rtol=1e-9)
        assert mine.order == theirs.order


@pytest.mark.parametrize(("count", "by", "words"), [(1, "run", "name more runs"), (3, "telescope", "all of ten inch"),
                                                    (3, "colour of the dome", "known are run, telescope")])  # fmt: skip
def test_what_cannot_be_compared_is_said(make_run: MakeRun, count: int, by: str, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        compare_runs([make_run(i) for i in range(count)], by)


def test_what_limited_a_group_is_the_mean_of_its_runs(make_run: MakeRun) -> None:
    """Worst first; one run has its own error, two have that of their mean; what is not named counts as nothing."""
    air, light = (
        {"limits": [{"name": name, "share": share, "share_error": 0.1}]}
        for name, share in (("air", 0.9), ("light", 0.6))
    )
    runs = [make_run(1, telescope="a", metrics=air), make_run(2, telescope="a", metrics=light)]
    runs += [make_run(3, telescope="b", metrics=air), make_run(4, telescope="c", measured={"snr": (9.0, 1.0)})]
    first, second, third = (group.limits for group in compare_runs(runs, "telescope").groups)
    assert [name for name, _ in first] == ["air", "light"]
    assert_allclose([share.value for _, share in first], [0.45, 0.3])
    assert_allclose(first[0][1].error or 0, np.std([0.9, 0.0], ddof=1) / np.sqrt(2))
    assert second == (("air", (0.9, 0.1)),) and third == ()


def test_a_ranking_says_where_neighbours_differ(make_run: MakeRun) -> None:
    numbers = {"a": 0.5, "b": 1.0, "c": 1.01}
    runs = [
        make_run(
            i, telescope=name, measured={"resolution_arcsec": (v, 0.01), "resolution_over_diffraction": (1.0, 0.01)}
        )
        for name, v in numbers.items()
        for i in range(4)
    ]
    row = _row(compare_runs(runs, "telescope"), "resolution_arcsec")
    assert ranking_of(row, list(numbers)) == "a > b = c"


def test_limits_are_named_as_they_are_measured() -> None:
    from stacker.logbook.limit_shares import LIMIT_NAMES
    from stacker.measuring.limits import NAMES

    assert LIMIT_NAMES == NAMES


def test_pictures_are_of_one_target_and_night_where_they_can(make_run: MakeRun, tmp_path: Path) -> None:
    """The night that most groups share; the median run of each; a folder that is gone shows nothing."""

    def run(number: int, over: float, **told: Any) -> LoggedRun:
        made = make_run(number, measured={"resolution_over_diffraction": (over, 0.05)}, **told)
        return replace(made, folder=tmp_path)

    runs = [run(n, 1.0 + n, telescope="a", night="2031-04-05") for n in range(3)]
    runs += [run(5, 2.0, telescope="a", night="2031-04-06"), run(6, 2.0, telescope="b", night="2031-04-05")]
    runs += [run(7, 2.0, telescope="b", night="2031-04-07"), run(8, 2.0, telescope="c", night="2031-04-09")]
    runs += [run(9, 1.0, telescope="d", target="Velorne")]
    chosen = typical_runs(compare_runs(runs, "telescope"))
    assert [(label, told.night) for label, told in chosen] == [
        ("a", "2031-04-05"), ("b", "2031-04-05"), ("c", "2031-04-09")
    ]  # fmt: skip
    assert chosen[0][1].value("resolution_over_diffraction") == 2.0
    assert typical_runs(compare_runs([replace(run, folder=tmp_path / "gone") for run in runs], "telescope")) == ()
