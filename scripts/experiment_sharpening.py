#!/usr/bin/env python3
"""How close does sharpening come to the truth, and how close could any radial filter come?

    .venv/bin/python scripts/experiment_sharpening.py [--seeds N] [--frames N] [--screens]

Simulates surfaces, planets and textured discs in calm, moderate, rough and strongly varying air, bright and faint, mono
and with a colour mosaic, stacks each as the program does, and prints the error inside the target against the true scene
as the telescope alone would show it (gain and offset fitted, in units of the scene's own spread): the stack's, that of
the best unsharp mask (chosen with the truth), of sharpening with several values of its constants and without its
guards, and the least that any radial filter reaches (fitted to the truth, so a bound and not a method). Then the
verdict, and ringing at the limb.

`--screens` prints the tables of `stacker/sharpening/turbulence_tables.py` anew instead (some minutes).
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from stacker.alignment import align
from stacker.capture import open_capture
from stacker.colour import align_colours, share_detail
from stacker.measuring.limb import limb_overshoot
from stacker.measuring.resolution import resolution_of, ring_sums, spectrum_shift
from stacker.measuring.spectra import PowerMeter, analysis_window, windowed_spectrum
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.settings import AlignmentSettings, RankingSettings, SharpeningSettings
from stacker.sharpening import air, sharpen, unlike_frames
from stacker.sharpening.turbulence_tables import FREQUENCY, FRIED
from stacker.simulation import (
    Air,
    BandedPlanet,
    CrateredSurface,
    Detector,
    Scenario,
    TexturedDisc,
    Tracking,
    write_simulation,
)
from stacker.stacking import Stack, stack

Image = NDArray[np.float32]
SCALES_PX = (0.6, 0.9, 1.3, 1.9, 2.7, 4, 6, 9, 14, 20, 30)


@dataclass(frozen=True)
class Trial:
    """A stack of one simulated capture, and what it should show (green or mono, in place)."""

    name: str
    stack: Stack
    cutoff: float | tuple[float, float, float]
    obstruction: float
    truth: Image
    inside: NDArray[np.bool_]


def scenarios(frames: int) -> dict[str, Scenario]:
    """Return the captures to try, named."""
    tracking = Tracking(drift_y_px=6, drift_x_px=8, jumps=2, jump_px=5)
    base = Scenario(frames=frames, height_px=224, width_px=224, tracking=tracking)
    faint = Detector(bits=12, peak_electrons=1200)
    optics = replace(base.optics, focal_length_mm=3.0 * base.optics.aperture_mm * 3.0 / 0.535)
    colour = replace(base, optics=optics, oversampling=2)
    mosaic = replace(faint, mosaic="RGGB", wavelength_nm=535.0)
    ringed = BandedPlanet(diameter_of_frame=0.85, latitude_deg=20.0, ring=True)
    varying = Air(d_over_r0=5, seeing_sigma=0.5)
    return {
        "surface": replace(base, scene=CrateredSurface(), detector=Detector(bits=8)),
        "faint surface": replace(base, scene=CrateredSurface(), detector=Detector(bits=8, peak_electrons=300)),
        "rough surface": replace(base, scene=CrateredSurface(), detector=faint, air=Air(d_over_r0=8)),
        "planet": replace(base, scene=BandedPlanet(0.7), detector=faint),
        "varying": replace(base, scene=BandedPlanet(0.7), detector=faint, air=varying),
        "mosaic": replace(colour, scene=BandedPlanet(0.7), detector=mosaic),
        "ringed mosaic": replace(colour, scene=ringed, detector=mosaic, air=Air(d_over_r0=6)),
        "texture": replace(base, scene=TexturedDisc(0.7), detector=faint),
        "calm": replace(base, scene=TexturedDisc(0.7), detector=faint, air=Air(d_over_r0=3)),
        "rough": replace(base, scene=TexturedDisc(0.75), detector=faint, air=Air(d_over_r0=9)),
    }


def trial(name: str, scenario: Scenario, seed: int) -> Trial:
    """Simulate, stack and register the truth."""
    with tempfile.TemporaryDirectory() as folder:
        path, _, truth_path = write_simulation(Path(folder) / "capture.fits", scenario, seed, "fits")
        truth = dict(np.load(truth_path))
        with open_capture(path) as capture:
            ranking = centred(rank(capture, RankingSettings(), 2))
            alignment = align(capture, ranking, AlignmentSettings(), "auto", 2)
            window = analysis_window(ranking.target.mask, ranking.target.kind)
            averaged = stack(capture, ranking, alignment, 2, power_meter=PowerMeter(window))
            made = share_detail(align_colours(averaged), capture.mosaic)
            obstruction = capture.circumstances.obstruction_ratio
    cutoffs = json.loads(str(truth["meta"]))["cutoff_cyc_px"]
    scene, inside = in_place(green(made.image), truth, analysis_window(made.mask, made.kind))
    return Trial(name, made, tuple(cutoffs) if len(cutoffs) == 3 else cutoffs[0], obstruction, scene, inside)


def green(image: Image) -> Image:
    """Return the middle colour, or a mono image as it is."""
    return np.ascontiguousarray(image if image.ndim == 2 else image[..., image.shape[2] // 2])


def in_place(image: Image, truth: dict[str, Any], window: Any) -> tuple[Image, NDArray[np.bool_]]:
    """Return the true scene and its inner mask moved onto the image."""
    scene, inner = green(truth["truth"]), truth["inner"].astype(np.float32)
    margin = [(a - b) // 2 for a, b in zip(scene.shape, image.shape, strict=True)]
    own = windowed_spectrum(image, window)
    dy, dx = coarse_offset(image, scene, margin)

    def moved(plane: Image, flags: int) -> Image:
        y, x = np.mgrid[: image.shape[0], : image.shape[1]].astype(np.float32)
        at = x + np.float32(margin[1] - dx), y + np.float32(margin[0] - dy)
        return cv2.remap(plane, *at, flags, borderMode=cv2.BORDER_REPLICATE)

    for _ in range(4):
        step = spectrum_shift(windowed_spectrum(moved(scene, cv2.INTER_CUBIC), window), own, window)
        dy, dx = dy + step[0], dx + step[1]
    inside = moved(inner, cv2.INTER_NEAREST) > 0.5
    rim = 12
    inside[:rim], inside[-rim:], inside[:, :rim], inside[:, -rim:] = False, False, False, False
    return moved(scene, cv2.INTER_LANCZOS4), inside


def coarse_offset(image: Image, scene: Image, margin: list[int]) -> tuple[float, float]:
    """Return (dy, dx) in whole pixels by which the image stands off the middle of the scene."""
    part = scene[margin[0] : margin[0] + image.shape[0], margin[1] : margin[1] + image.shape[1]]
    soft = [cv2.GaussianBlur(p, (0, 0), 2.0) for p in (part, image)]
    a, b = (scipy.fft.rfft2(p - p.mean()) for p in soft)
    peak = scipy.fft.irfft2(np.conj(a) * b, image.shape)
    y, x = np.unravel_index(int(peak.argmax()), peak.shape)
    height, width = image.shape
    return float((y + height // 2) % height - height // 2), float((x + width // 2) % width - width // 2)


def error(image: Image, seen: Trial) -> float:
    """Return the rms difference from the truth inside the target, gain and offset fitted, over the truth's spread."""
    mine, true = image[seen.inside].astype(float), seen.truth[seen.inside].astype(float)
    gain, offset = np.polyfit(mine, true, 1)
    return float(np.sqrt(np.mean((gain * mine + offset - true) ** 2)) / true.std())


def least_error(seen: Trial) -> float:
    """Return the error of the best radial filter, fitted to the truth over a pyramid of Gaussians."""
    image = green(seen.stack.image).astype(float)
    soft = [image, *(cv2.GaussianBlur(image, (0, 0), s, borderType=cv2.BORDER_REPLICATE) for s in SCALES_PX)]
    bands = [a - b for a, b in zip(soft, soft[1:], strict=False)] + [soft[-1], np.ones_like(image)]
    basis = np.stack([band[seen.inside] / (band[seen.inside].std() or 1.0) for band in bands], 1)
    true = seen.truth[seen.inside].astype(float)
    gains, *_ = np.linalg.lstsq(basis, true, rcond=1e-9)
    return float((true - basis @ gains).std() / true.std())


def best_unsharp(seen: Trial) -> float:
    """Return the least error of plain unsharp masks, radius and amount chosen with the truth."""
    image = green(seen.stack.image)
    masks = ((s, image - cv2.GaussianBlur(image, (0, 0), s)) for s in (1.0, 1.5, 2.0, 3.0, 4.0, 6.0))
    return min(error(image + amount * mask, seen) for _, mask in masks for amount in (0.5, 1, 2, 3, 4, 6, 9))


@contextmanager
def changed(module: Any, **values: Any) -> Iterator[None]:
    """Set names of a module for a while."""
    before = {name: getattr(module, name) for name in values}
    for name, value in values.items():
        setattr(module, name, value)
    try:
        yield
    finally:
        for name, value in before.items():
            setattr(module, name, value)


def designs() -> dict[str, Callable[[Trial], Image]]:
    """Return the designs, named; each gives the sharpened green."""
    import importlib

    whole = importlib.import_module("stacker.sharpening.sharpen")

    def plain(seen: Trial) -> Image:
        return green(sharpen(seen.stack, SharpeningSettings(), seen.cutoff, seen.obstruction).image)

    def with_constants(**values: Any) -> Callable[[Trial], Image]:
        def run(seen: Trial) -> Image:
            with changed(air, **values):
                return plain(seen)

        return run

    def alike(seen: Trial) -> Image:
        with changed(unlike_frames, _AIRS_SHARE=0.0):
            return plain(seen)

    def without(**values: Any) -> Callable[[Trial], Image]:
        def run(seen: Trial) -> Image:
            with changed(whole, **values):
                return plain(seen)

        return run

    def no_power(seen: Trial) -> Image:
        return plain(replace(seen, stack=replace(seen.stack, frame_power=None)))

    return {
        "default": plain,
        **{f"speckle left {k}": with_constants(_SPECKLE_LEFT=k) for k in (0.4, 0.5)},
        "no jitter": with_constants(_JITTER=0.0),
        "no power law": with_constants(_LAW_ERROR=1e3),
        "frames alike": alike,
        "lower rings too": with_constants(_LOWEST=0.18),
        "mild air": no_power,
        "no gate": without(local_gate=lambda plane, *_: np.ones_like(plane)),
        "no limb guard": without(guard_limb=lambda sharpened, *_: sharpened),
        "no gate, no guard": without(
            local_gate=lambda plane, *_: np.ones_like(plane), guard_limb=lambda sharpened, *_: sharpened
        ),
    }


def ringing(seen: Trial, image: Image) -> str:
    """Return overshoot in percent inside and outside the limb."""
    found = limb_overshoot(image, seen.stack.mask) if seen.stack.kind == "disc" else None
    return "-" if found is None else f"{found.inside_percent:.1f}/{found.outside_percent:.1f}"


def reach(seen: Trial, image: Image) -> float:
    """Return where image and truth part, in cycles per pixel."""
    window = analysis_window(seen.stack.mask, seen.stack.kind)
    cutoff = seen.cutoff[1] if isinstance(seen.cutoff, tuple) else seen.cutoff
    a, b = windowed_spectrum(image, window), windowed_spectrum(seen.truth, window)
    return 1.0 / (resolution_of(ring_sums(a, b, window, cutoff), cutoff).half_bit_px or np.inf)


def compare(seeds: int, frames: int) -> None:
    """Print the tables."""
    names = [*designs(), "best unsharp", "best filter"]
    print("error inside the target over the best radial filter's; in brackets over the stack's own")
    print(f"{'capture':14s}{'stack':>8s}{'filter':>8s}" + "".join(f"{name:>19s}" for name in names[:-1]))
    rows, tail = [], []
    for seed in range(1, seeds + 1):
        for name, scenario in scenarios(frames).items():
            seen = trial(f"{name} {seed}", scenario, seed)
            images = {label: make(seen) for label, make in designs().items()}
            own, least = error(green(seen.stack.image), seen), least_error(seen)
            errors = [error(image, seen) for image in images.values()] + [best_unsharp(seen)]
            rows.append([e / least for e in errors])
            cells = "".join(f"{e / least:11.2f} ({e / own:.2f})" for e in errors)
            print(f"{seen.name:14s}{own:8.4f}{least:8.4f}" + cells.replace("(", " ("), flush=True)
            stacked, done, free = green(seen.stack.image), images["default"], images["no limb guard"]
            tail.append(
                f"{seen.name:14s}{ringing(seen, stacked):>12s}{ringing(seen, free):>16s}{ringing(seen, done):>12s}"
                f"{reach(seen, stacked):14.3f}{reach(seen, done):10.3f}"
            )
    print(f"{'mean':14s}{'':16s}" + "".join(f"{value:12.2f}       " for value in np.mean(rows, 0)))
    print(f"{'worst':14s}{'':16s}" + "".join(f"{value:12.2f}       " for value in np.max(rows, 0)))
    print(f"{'geo. mean':14s}{'':16s}" + "".join(f"{value:12.2f}       " for value in np.exp(np.mean(np.log(rows), 0))))
    print("\novershoot in % inside/outside the limb, and where image and truth part (cycles per px)")
    print(f"{'capture':14s}{'stack':>12s}{'unguarded':>16s}{'guarded':>12s}{'stack':>14s}{'finished':>10s}")
    print("\n".join(tail))
    best = names[int(np.argmin(np.mean(rows, 0)))]
    print(f"\nleast mean error: {best}; the default is {np.mean(rows, 0)[0]:.2f} times the best radial filter's")


def screens(count: int = 120, across: int = 48) -> None:
    """Print attenuation and speckle of Kolmogorov screens whose images are laid onto their mean, rows by D/r0."""
    rng, whole = np.random.default_rng(7), 512
    f = np.hypot(scipy.fft.fftfreq(whole)[:, None], scipy.fft.fftfreq(whole)[None, :])
    f[0, 0] = np.inf
    amplitude = np.sqrt(0.0228955) * f ** (-11 / 6) / whole
    parts = []
    for _ in range(count):
        pair = scipy.fft.fft2((rng.normal(size=f.shape) + 1j * rng.normal(size=f.shape)) * amplitude)
        corners = [(0, 0), (0, 256), (256, 0), (256, 256), (128, 128), (128, 384), (384, 128), (384, 384)]
        parts += [p[i : i + across, j : j + across] for p in (pair.real, pair.imag) for i, j in corners]
    phase = np.array(parts, np.float32)
    rows = [np.mean([_passed(phase, q, o) for o in (0.0, 0.3)], 0) for q in FRIED]
    for title, number in (("ATTENUATION", 0), ("SPECKLE", 1)):
        print(f"{title} = np.array(\n    [")
        for row in rows:
            print("        [" + ", ".join(f"{value:.4f}" for value in row[number]) + "],  # fmt: skip")
        print("    ]\n)")


def _passed(phase: Image, q: float, obstruction: float) -> NDArray[np.float64]:
    """Return -ln of the mean transfer over (q f)^(5/3), and q^2 times speckle power, both over the telescope's own."""
    across, side = phase.shape[1], 128
    y, x = np.mgrid[:across, :across] - (across - 1) / 2
    radius = np.hypot(y, x) / (across / 2)
    pupil = ((radius <= 1) & (radius >= obstruction)).astype(np.float32)
    basis = np.stack([np.ones_like(y), y, x])
    gram = np.linalg.inv(np.einsum("aij,bij,ij->ab", basis, basis, pupil))
    level = phase - np.tensordot(np.einsum("nij,bij,ij->nb", phase, basis, pupil) @ gram, basis, 1)
    rows, columns = scipy.fft.fftfreq(side)[:, None], scipy.fft.rfftfreq(side)[None, :]
    f = np.hypot(rows, columns) * side / across
    seen = np.empty((len(level), *f.shape), np.complex64)
    for start in range(0, len(level), 80):
        field = pupil * np.exp(1j * level[start : start + 80] * (q / across) ** (5 / 6))
        transfer = scipy.fft.rfft2(np.abs(scipy.fft.fft2(field, (side, side))) ** 2)
        seen[start : start + 80] = transfer / transfer[:, :1, :1].real
    _recentre(seen, 2 * np.pi * rows, 2 * np.pi * columns, (f > 0.03) & (f < 1))
    mean, power = seen.mean(0), np.mean([np.abs(one) ** 2 for one in seen], 0)
    telescope = scipy.fft.rfft2(np.abs(scipy.fft.fft2(pupil, (side, side))) ** 2).real
    ring = np.minimum(np.rint(f * across).astype(int), across + 12).reshape(-1)
    mean_ring, power_ring, square_ring, alone = (
        np.bincount(ring, v.reshape(-1))[:across] / np.bincount(ring)[:across]
        for v in (mean.real, power, np.abs(mean) ** 2, telescope / telescope[0, 0])
    )
    at = np.arange(across) / across
    lost = -np.log(np.maximum(mean_ring / alone, 1e-4))
    shape = np.divide(lost, (q * at) ** (5 / 3), out=np.zeros(across), where=at > 0)
    # Towards zero, where rings are too coarse: f^(5/3) less f^2, as Fried's formula has it, through rings 2 to 5.
    start, bend = np.linalg.lstsq(np.stack([np.ones(4), at[2:6] ** (1 / 3)], 1), shape[2:6], rcond=None)[0]
    shape[:2] = start + bend * at[:2] ** (1 / 3)
    return np.stack([np.interp(FREQUENCY, at, v) for v in (shape, (power_ring - square_ring) / alone * q**2)])


def _recentre(seen: NDArray[np.complex64], rows: Any, columns: Any, used: NDArray[np.bool_]) -> None:
    """Move every image, given by its transform, to where it agrees best with the mean of all, as alignment does."""
    for _ in range(3):
        mean = seen.mean(0).real
        for start in range(0, len(seen), 80):
            part = seen[start : start + 80]
            common = part * (mean * used)
            pull = [-(common.imag * axis).sum((1, 2)) for axis in (rows, columns)]
            agreed = np.maximum(common.real, 0)
            a, b, c = ((agreed * k).sum((1, 2)) for k in (rows * rows, rows * columns, columns * columns))
            down, right = (c * pull[0] - b * pull[1]), (a * pull[1] - b * pull[0])
            dy, dx = (np.clip(v / (a * c - b * b), -1.5, 1.5)[:, None, None] for v in (down, right))
            part *= np.exp(1j * (rows * dy + columns * dx)).astype(np.complex64)


def main() -> None:
    """Read the command line and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2, help="simulated captures of each kind")
    parser.add_argument("--frames", type=int, default=160, help="frames of each")
    parser.add_argument("--screens", action="store_true", help="print the tables of turbulence instead")
    wanted = parser.parse_args()
    cv2.setNumThreads(1)
    if wanted.screens:
        screens()
    else:
        compare(wanted.seeds, wanted.frames)


if __name__ == "__main__":
    main()
