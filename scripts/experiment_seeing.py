"""How well r0 and static defocus are measured: simulated captures of many kinds against their truth.

Prints r0 over its truth for scenes, apertures, samplings, obstructions, signals and seeing drawn at random, then
static defocus of 0, 0.15, 0.3 and 0.5 waves on discs in steady air, and how often errors cover the truth. Beside each
disc stands at how many sigma its defocus (0.3 waves, if it has less) shows at all: from the frames' own noise, their
number and the independent speckle in them, by the fit to what such a telescope would show in the mean; and the signal
over the noise, in power, of single frames at a third of the cutoff. The constants of `air_fit.py`,
`focus_judgement.py` and `seeing.py` were settled on seeds 31001 to 31004, 51001, 51002, 71001 to 71004, 91001 to 91004
and 92001 to 92004, and on captures through 80 to 130 mm.
`--table` makes `short_exposures.csv` anew instead, `--gains` `frame_gains.csv`.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from stacker.alignment import find_repair
from stacker.capture import open_capture
from stacker.measuring.air_fit import fit_air, foreseen
from stacker.measuring.frame_gains import MIDDLES, RINGS, covariance_of, numbers_of
from stacker.measuring.patch_places import hann
from stacker.measuring.patch_spectra import MOST_FRAMES, PatchSpectra, patch_spectra
from stacker.measuring.recentring import Modes, Spectra, recentre
from stacker.measuring.seeing import R0_WAVELENGTH_NM, measure_seeing
from stacker.measuring.seeing_record import Seeing
from stacker.measuring.spectral_ratio import spectral_ratio
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.settings import RankingSettings
from stacker.simulation import (
    Air,
    BandedPlanet,
    CrateredSurface,
    Detector,
    Optics,
    Scenario,
    TexturedDisc,
    Tracking,
    write_simulation,
)

Array = NDArray[np.float64]

SCENES = {
    "banded": BandedPlanet(),
    "ringed": BandedPlanet(diameter_of_frame=0.85, latitude_deg=20.0, ring=True),
    "texture": TexturedDisc(),
    "cratered": CrateredSurface(),
}
DISCS = ("banded", "texture", "ringed")
WAVES = (0.0, 0.15, 0.3, 0.5)
NOTICED, PLAIN = 0.3, 2.0
"""Waves that ought to be noticed, and the signal to noise, in power, from which on."""
ELEMENTS, CALM = 16, 3.0
"""Width of a patch in lambda / D, and the roughest D/r0 in which defocus is asked for."""


@dataclass(frozen=True)
class Outcome:
    """One capture's truth and what was measured."""

    name: str
    scenario: Scenario
    ratio: float
    """True D / r0: the 3/5 power of the mean of its 5/3 power over the frames."""
    r0_mm: float
    seen: Seeing
    sigmas: float
    """At how many the capture can tell its defocus, or `NOTICED` waves if it has less; nan where nothing is seen."""
    signal: float
    """Power over that of the noise, of single frames at a third of the cutoff."""

    @property
    def over_truth(self) -> float:
        """Measured r0 over the true one; nan where refused."""
        return np.nan if self.seen.r0_mm is None else self.seen.r0_mm / self.r0_mm


def scenario_drawn(seed: int, number: int, name: str, ratio: float, waves: float, sigma: float) -> Scenario:
    """Return a scenario of random telescope, sampling and light."""
    rng = np.random.default_rng([seed, number])
    aperture_mm, sampling = float(rng.choice([80, 130, 200, 280, 400])), float(rng.choice([2.05, 2.5, 3, 4, 5]))
    obstruction, electrons = float(rng.choice([0, 0.2, 0.3, 0.35])), float(np.exp(rng.uniform(*np.log([40, 2500]))))
    size = 160 if sampling < 3.5 else 192
    return Scenario(
        scene=SCENES[name],
        frames=200,
        height_px=size,
        width_px=size,
        optics=Optics(
            aperture_mm=aperture_mm,
            obstruction_mm=obstruction * aperture_mm,
            focal_length_mm=sampling * aperture_mm * 5.0,
            defocus_waves=waves,
        ),
        air=Air(d_over_r0=ratio, psf_grid=4, seeing_sigma=sigma),
        detector=Detector(bits=12, peak_electrons=electrons),
        tracking=Tracking(drift_x_px=6.0, drift_y_px=4.0, jitter_px=0.3),
    )


def seeing_scenarios(seed: int, count: int) -> Iterator[tuple[str, Scenario]]:
    """Yield captures of D/r0 2 to 8, half of them below 5."""
    for number in range(count):
        rng = np.random.default_rng([seed, number, 1])
        name = list(SCENES)[number % len(SCENES)]
        ratio = float(rng.uniform(2.0, 5.0) if number % 2 == 0 else rng.uniform(5.0, 8.0))
        yield name, scenario_drawn(seed, number, name, ratio, 0.0, float(rng.choice([0.05, 0.2])))


def focus_scenarios(seed: int, count: int) -> Iterator[tuple[str, Scenario]]:
    """Yield discs in steady air of D/r0 up to 3, with each defocus in turn."""
    for number in range(count):
        rng = np.random.default_rng([seed, number, 2])
        name = DISCS[number // len(WAVES) % len(DISCS)]
        yield name, scenario_drawn(seed, number, name, float(rng.uniform(1.5, 3.0)), WAVES[number % len(WAVES)], 0.05)


def outcome(name: str, scenario: Scenario, seed: int, folder: Path) -> Outcome:
    """Simulate one capture and measure it."""
    path, sidecar, truth = write_simulation(folder / "capture.fits", scenario, seed, "fits")
    with open_capture(path) as capture, np.load(truth) as stored:
        ranking = centred(rank(capture, RankingSettings(), 1))
        repair = find_repair(capture, ranking, "quick")
        seen = measure_seeing(capture, ranking, repair, capture.circumstances, 1)
        cutoff = 1.0 / scenario.sampling_px(scenario.detector.wavelength_nm)
        size = min(2 * round(0.5 * ELEMENTS / cutoff), scenario.height_px - 12)
        wanted = name in DISCS and scenario.air.d_over_r0 <= CALM
        see = capture, ranking, repair, cutoff, size, MOST_FRAMES["full"], 1
        looked = patch_spectra(*see) if wanted else None
        ratio = float(np.mean(stored["d_over_r0"] ** (5 / 3)) ** 0.6)
        wavelength_nm = json.loads(str(stored["meta"]))["scenario"]["detector"]["wavelength_nm"]
    for file in (path, sidecar, truth):
        file.unlink()
    r0_mm = scenario.optics.aperture_mm / ratio * (R0_WAVELENGTH_NM / wavelength_nm) ** 1.2
    sigmas, signal = (np.nan, np.nan) if looked is None else shown_of_defocus(scenario, looked, ratio)
    return Outcome(name, scenario, ratio, r0_mm, seen, sigmas, signal)


def shown_of_defocus(scenario: Scenario, looked: PatchSpectra, ratio: float) -> tuple[float, float]:
    """Return at how many sigma the defocus shows in the mean of such captures, and the frames' signal over noise."""
    seen, optics = spectral_ratio(looked), scenario.optics
    if seen is None:
        return np.nan, np.nan
    telescope = optics.obstruction_mm / optics.aperture_mm, optics.aperture_mm
    angle_rad = looked.size_px * looked.modes.cutoff * 1e-6 * scenario.detector.wavelength_nm / optics.aperture_mm
    expected = foreseen(seen, *telescope, angle_rad, ratio, max(optics.defocus_waves, NOTICED))
    fit = None if expected is None else fit_air(expected, *telescope, angle_rad)
    signal = float(seen.snr[np.abs(seen.frequency - 1 / 3).argmin()])
    return np.nan if fit is None else float(np.sqrt(2.0 * max(fit.gain, 0.0))), signal


def line(found: Outcome) -> str:
    """Return one row of the table."""
    optics, camera, seen = found.scenario.optics, found.scenario.detector, found.seen
    told = f"{found.name:9s}{optics.aperture_mm:5.0f}{found.scenario.sampling_px(camera.wavelength_nm):6.2f}"
    told += f"{optics.obstruction_mm / optics.aperture_mm:6.2f}{np.sqrt(camera.peak_electrons):6.0f}{found.ratio:6.2f}"
    told += f"{optics.defocus_waves:6.2f}   "
    if seen.r0_mm is None or seen.r0_mm_error is None:
        return told + f"refused: {seen.notes['r0_mm']}"
    told += f"{found.over_truth:6.2f} +-{seen.r0_mm_error / found.r0_mm:5.2f}   {seen.focus:12s}"
    if seen.defocus_waves_pv is not None:
        told += f"{seen.defocus_waves_pv:5.2f} +-{seen.defocus_waves_pv_error:4.2f}"
    return told + (f"   shows at {found.sigmas:.1f} sigma, S/N {found.signal:.1f}" if np.isfinite(found.sigmas) else "")


def summary(title: str, found: list[Outcome]) -> None:
    """Print median and worst error of r0 and how often its error covers the truth."""
    over = np.array([one.over_truth for one in found])
    known = np.isfinite(over)
    if not known.any():
        print(f"{title}: {len(found)} captures, all refused")
        return
    off = np.abs(over[known] - 1.0)
    errors = np.array([(one.seen.r0_mm_error or 0.0) / one.r0_mm for one in found])[known]
    print(
        f"{title}: {known.sum()} of {len(found)} measured; r0 off by {100 * np.median(off):.0f} % in the median, "
        f"{100 * off.max():.0f} % at worst, beyond 25 % in {100 * np.mean(off > 0.25):.0f} %; "
        f"truth within one error in {100 * np.mean(off < errors):.0f} %"
    )


def focus_summary(found: list[Outcome]) -> None:
    """Print what became of each defocus."""
    for waves in WAVES:
        those = [one for one in found if one.scenario.optics.defocus_waves == waves]
        counts = {word: sum(one.seen.focus == word for one in those) for word in ("defocused", "sharp", "cannot tell")}
        sizes = [one.seen.defocus_waves_pv or 0.0 for one in those if one.seen.focus == "defocused"]
        told = ", ".join(f"{count} {word}" for word, count in counts.items())
        print(f"{waves:.2f} waves: {told}" + (f"; sizes {np.round(sizes, 2).tolist()}" if sizes else ""))
    false = sum(one.seen.focus == "defocused" and one.scenario.optics.defocus_waves == 0 for one in found)
    missed = sum(one.seen.focus == "sharp" and one.scenario.optics.defocus_waves >= NOTICED for one in found)
    out = [one for one in found if one.scenario.optics.defocus_waves >= NOTICED and one.signal >= PLAIN]
    for title, those in (
        ("100 mm and more", [one for one in out if one.scenario.optics.aperture_mm >= 100]),
        ("less", [one for one in out if one.scenario.optics.aperture_mm < 100]),
    ):
        called = sum(one.seen.focus == "defocused" for one in those)
        print(
            f"S/N from {PLAIN:g}, {title}: of {len(those)} with {NOTICED:g} waves or more {called} are called defocused"
        )
    print(f"false alarms {false}, defocus called sharp {missed}, of {len(found)}")


def compare(seed: int, count: int) -> None:
    """Print both tables."""
    head = "scene     D/mm px/el  obst   SNR  D/r0 waves   r0/true          focus       waves"
    with tempfile.TemporaryDirectory() as folder:
        for title, scenarios in (("seeing", seeing_scenarios(seed, count)), ("focus", focus_scenarios(seed, count))):
            print(head)
            found = []
            for number, (name, scenario) in enumerate(scenarios):
                found.append(outcome(name, scenario, 10 * seed + number, Path(folder)))
                print(line(found[-1]), flush=True)
            if title == "focus":
                focus_summary(found)
                continue
            for low, high in ((0.0, 5.0), (5.0, 9.0)):
                summary(f"D/r0 {low:.0f} to {high:.0f}", [one for one in found if low <= one.ratio < high])
            focus_summary(found)


ACROSS, SIDE, SHEET = 32, 64, 384
GROUPS, WANDER = 4, 0.15
GAIN_WANDER = 0.1
PATCHES, SEEN_UP_TO = 6, 0.8
"""Of random detail, and how far of the cutoff they are looked at: as in captures."""
DETAILS = 24
"""Groups of screens, each with patches of its own: chance of six patches moves the coarsest ring by a tenth."""
GAIN_RATIOS = (0.7, 1, 1.25, 1.5, 1.75, 2, 2.25, 2.5, 3, 3.5, 4, 5, 6)
OBSTRUCTIONS = (0.0, 0.2, 0.35)
TABLED_WAVES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8)
RATIOS = (0.7, 1, 1.5, 2, 2.5, 3, 3.5, 4, 4.5, 5, 6, 7, 8, 10, 12)
FREQUENCIES = (0.025, 0.05, 0.075, *np.arange(0.1, 0.16, 0.025), *np.arange(0.2, 0.61, 0.05), 0.7, 0.8, 0.9)


def tabulate(path: Path, count: int) -> None:
    """Write the table of speckle from `count` Kolmogorov screens."""
    screens = draw_screens(count)
    strength = wandering(WANDER, count)
    rows = ["obstruction,defocus_waves,aperture_over_r0,quantity," + ",".join(f"{f:g}" for f in FREQUENCIES)]
    for obstruction in OBSTRUCTIONS:
        level, radius, pupil = without_tilt(screens, obstruction)
        for waves in TABLED_WAVES:
            for ratio in RATIOS:
                phase = level * ((ratio * strength / ACROSS) ** (5 / 6))[:, None, None] + 2 * np.pi * waves * radius**2
                amount, evenness = speckle_of(phase.astype(np.float32), pupil)
                start = f"{obstruction:g},{waves:g},{ratio:g},"
                rows.append(start + "ln speckle," + ",".join(f"{value:.2f}" for value in amount))
                rows.append(start + "evenness," + ",".join(f"{value:.2f}" for value in evenness))
    path.write_text("\n".join(rows) + "\n", encoding="ascii", newline="\n")


def tabulate_gains(path: Path, count: int) -> None:
    """Write the table of gains' covariances from `count` Kolmogorov screens."""
    screens, strength = draw_screens(count), wandering(GAIN_WANDER, count)
    pairs = [f"artanh correlation {MIDDLES[i]:g} {MIDDLES[j]:g}" for i in range(RINGS) for j in range(i + 1, RINGS)]
    numbers = [f"ln variance {middle:g}" for middle in MIDDLES] + pairs
    names = [f"{turns} {number}" for turns in ("even", "twofold", "fourfold") for number in numbers]
    rows = ["obstruction,defocus_waves,aperture_over_r0," + ",".join(names)]
    for obstruction in OBSTRUCTIONS:
        level, radius, pupil = without_tilt(screens, obstruction)
        for waves in TABLED_WAVES:
            for ratio in GAIN_RATIOS:
                phase = level * ((ratio * strength / ACROSS) ** (5 / 6))[:, None, None] + 2 * np.pi * waves * radius**2
                found = numbers_of(np.mean(list(covariances_in_patches(phase.astype(np.float32), pupil)), axis=0))
                told = ",".join(f"{value:.2f}" for value in found.reshape(-1))
                rows.append(f"{obstruction:g},{waves:g},{ratio:g},{told}")
    path.write_text("\n".join(rows) + "\n", encoding="ascii", newline="\n")


def wandering(sigma: float, count: int) -> Array:
    """Return factors of D/r0 (count,) that wander by `sigma`, the 3/5 power of the mean of their 5/3 power being 1."""
    strength = np.exp(sigma * np.random.default_rng(3).standard_normal(count))
    return np.asarray(strength / np.mean(strength ** (5 / 3)) ** 0.6)


def draw_screens(count: int) -> Array:
    """Return phase (count, 32, 32) for a Fried parameter of one sample."""
    rng = np.random.default_rng(11)
    f = np.hypot(scipy.fft.fftfreq(SHEET)[:, None], scipy.fft.fftfreq(SHEET)[None])
    f[0, 0] = np.inf
    amplitude = np.sqrt(0.0228955) * f ** (-11 / 6) / SHEET
    corners = range(0, SHEET - ACROSS + 1, 2 * ACROSS)
    parts: list[Array] = []
    while len(parts) < count:
        pair = scipy.fft.fft2((rng.normal(size=f.shape) + 1j * rng.normal(size=f.shape)) * amplitude)
        parts += [p[i : i + ACROSS, j : j + ACROSS] for p in (pair.real, pair.imag) for i in corners for j in corners]
    return np.array(parts[:count])


def without_tilt(screens: Array, obstruction: float) -> tuple[Array, Array, Array]:
    """Return the screens less piston and tilt over the pupil, the radius over the aperture's, and the pupil."""
    y, x = np.mgrid[:ACROSS, :ACROSS] - (ACROSS - 1) / 2
    radius = np.hypot(y, x) / (ACROSS / 2)
    pupil = ((radius <= 1) & (radius >= obstruction)).astype(float)
    basis = np.stack([np.ones_like(y), y, x])
    gram = np.linalg.inv(np.einsum("aij,bij,ij->ab", basis, basis, pupil))
    planes = np.tensordot(np.einsum("nij,bij,ij->nb", screens, basis, pupil) @ gram, basis, 1)
    return screens - planes, radius, pupil


def recentred(phase: NDArray[np.float32], pupil: Array) -> tuple[list[Spectra], Modes]:
    """Return the transfers of exposures in groups, each recentred as measured patches are, and their frequencies."""
    wanted, modes = half_plane(SIDE, 1.0)
    groups = np.array_split(phase, GROUPS)
    return [recentre(transfers(group, pupil)[:, wanted], modes)[0] for group in groups], modes


def covariances_in_patches(phase: NDArray[np.float32], pupil: Array) -> Iterator[Array]:
    """Yield the covariances of gains in groups of exposures of random detail, seen in windowed patches."""
    size = SIDE * ELEMENTS // ACROSS
    wanted, modes = half_plane(size, SEEN_UP_TO)
    window, rng = np.outer(hann(size), hann(size)), np.random.default_rng(5)
    for group in np.array_split(phase, DETAILS):
        transfer, patches = transfers(group, pupil), []
        for _ in range(PATCHES):
            detail = scipy.fft.rfft2(rng.standard_normal((SIDE, SIDE), np.float32))
            seen = scipy.fft.irfft2(transfer * detail, (SIDE, SIDE))[:, :size, :size] * window
            patches.append(recentre(scipy.fft.rfft2(seen)[:, wanted], modes)[0])
        yield covariance_of(patches, modes)


def half_plane(size: int, up_to: float) -> tuple[NDArray[np.bool_], Modes]:
    """Return which modes of pictures of `size` px lie below `up_to` of the cutoff, and their frequencies."""
    row, column = np.meshgrid(scipy.fft.fftfreq(size), scipy.fft.rfftfreq(size), indexing="ij")
    wanted = (np.hypot(row, column) < up_to * ACROSS / SIDE) & ((column > 0) | (row > 0))
    return wanted, Modes(row[wanted].astype(np.float32), column[wanted].astype(np.float32), ACROSS / SIDE)


def transfers(phase: NDArray[np.float32], pupil: Array) -> Spectra:
    """Return the transfers (n, SIDE, SIDE // 2 + 1) of exposures."""
    field = scipy.fft.fft2((pupil * np.exp(1j * phase)).astype(np.complex64), (SIDE, SIDE))
    return np.asarray(scipy.fft.rfft2(np.abs(field) ** 2) / np.float32(pupil.sum() * SIDE**2), np.complex64)


def speckle_of(phase: NDArray[np.float32], pupil: Array) -> tuple[Array, Array]:
    """Return ln (P + O) and (P - O) / (P + O) at the table's frequencies."""
    groups, modes = recentred(phase, pupil)
    whole = np.concatenate(groups)
    mean, count = whole.mean(0), len(whole)
    own = (np.abs(whole) ** 2).mean(0)
    turned = ((whole * mean.conj() / np.maximum(np.abs(mean), 1e-12)) ** 2).mean(0).real
    ring = np.minimum((modes.relative * 40).astype(int), 39)
    number = np.maximum(np.bincount(ring, minlength=40), 1)
    middle, power, square = (np.bincount(ring, values, 40) / number for values in (modes.relative, own, turned))
    steady = np.maximum((count * np.bincount(ring, np.abs(mean) ** 2, 40) / number - power) / (count - 1), 1e-10)
    amount = np.maximum(power - steady, 1e-12) / steady
    filled = np.bincount(ring, minlength=40) > 0
    evenness = np.clip((square - steady) / steady / amount, -1.5, 1.5)
    return (
        np.interp(FREQUENCIES, middle[filled], np.log(amount[filled])),
        np.interp(FREQUENCIES, middle[filled], evenness[filled]),
    )


def main() -> None:
    """Read the command line and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=7000, help="another seed, other captures (default %(default)s)")
    parser.add_argument("--captures", type=int, default=24, help="of either kind (default %(default)s)")
    parser.add_argument("--table", type=Path, metavar="CSV", help="write the table of speckle instead (minutes)")
    parser.add_argument("--gains", type=Path, metavar="CSV", help="write the table of gains instead (minutes)")
    wanted = parser.parse_args()
    cv2.setNumThreads(1)
    if wanted.table is not None:
        tabulate(wanted.table, 1536)
    elif wanted.gains is not None:
        tabulate_gains(wanted.gains, 1536)
    else:
        compare(wanted.seed, wanted.captures)


if __name__ == "__main__":
    main()
