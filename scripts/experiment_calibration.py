"""What calibration reaches on simulated captures: residual shading, noise added by flats, light kept, gain, read noise.

    python scripts/experiment_calibration.py

Prints three tables and a verdict below each. The truth is what the same camera without faults counts, free of noise.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from stacker.calibration import calibrate
from stacker.calibration.corrected import CorrectedCapture
from stacker.calibration.photon_transfer import measure_camera
from stacker.capture import Capture, Circumstances, open_capture
from stacker.simulation import (
    Air,
    CrateredSurface,
    Detector,
    Lamp,
    Optics,
    Scenario,
    Tracking,
    calibration_frames,
    simulate,
    write_simulation,
)
from stacker.simulation.camera import expected_electrons, through_mosaic
from stacker.simulation.writing import write_capture

FRAMES = 100
CAMERAS = (
    Detector(bits=12, peak_electrons=20000.0, read_noise_electrons=5.0, offset_adu=60.0),
    Detector(bits=12, peak_electrons=3000.0, read_noise_electrons=2.0, offset_adu=30.0, vignetting=0.5),
    Detector(bits=14, peak_electrons=30000.0, read_noise_electrons=8.0, offset_adu=200.0, mosaic="GRBG"),
    Detector(bits=12, peak_electrons=8000.0, read_noise_electrons=3.0, offset_adu=60.0, fixed_pattern_rms=0.02),
    Detector(bits=8, peak_electrons=1500.0, read_noise_electrons=2.0, mosaic="RGGB"),
)


def shaded(vignetting: float, mosaic: str | None) -> Scenario:
    """Return a still surface behind vignetting, 30 dust rings, hot columns, glow and unequal pixels."""
    detector = Detector(
        bits=12,
        peak_electrons=20000.0,
        peak_level=0.6,
        read_noise_electrons=5.0,
        offset_adu=60.0,
        mosaic=mosaic,
        vignetting=vignetting,
        dust_specks=30,
        hot_columns=4,
        glow_electrons=1500.0,
        fixed_pattern_rms=0.01,
    )
    air, optics = Air(d_over_r0=0.0, psf_grid=2), Optics(focal_length_mm=4300.0)
    return Scenario(CrateredSurface(), FRAMES, 128, 160, detector=detector, air=air, optics=optics)


def truth_of(scenario: Scenario, seed: int) -> np.ndarray:
    """Return the numbers above the offset that a faultless camera counts."""
    faultless = replace(
        scenario.detector,
        vignetting=0.0,
        dust_specks=0,
        hot_columns=0,
        glow_electrons=0.0,
        fixed_pattern_rms=0.0,
        hot_share=0.0,
        warm_share=0.0,
        dead_share=0.0,
    )
    capture = simulate(replace(scenario, detector=faultless), seed)
    raw = through_mosaic(capture._brightness(0)[0], faultless.mosaic)
    return np.squeeze(expected_electrons(capture.sensor, raw, 1.0)).astype(float) / faultless.gain_e_per_adu


def mean_of(capture: Capture) -> np.ndarray:
    """Return the mean frame."""
    return np.mean([capture.get_frame(index).astype(float) for index in range(len(capture))], axis=0)


def shading(folder: Path) -> None:
    """Print what is left of shading, per cent of the clean truth, one scale factor free.

    Dead pixels are left out: nothing but a moving target brings back what they hide.
    """
    print("vignetting mosaic   raw rms   8x8 px: rms    worst   one pixel: rms   photons allow")
    worst = 0.0
    for vignetting in (0.02, 0.1, 0.5):
        for mosaic in (None, "GRBG"):
            scenario = shaded(vignetting, mosaic)
            path, _, _ = write_simulation(
                folder / f"{vignetting}{mosaic}.fits", scenario, 5, "fits", calibration=FRAMES
            )
            truth = truth_of(scenario, 5)
            with calibrate(open_capture(path)) as capture, open_capture(path) as raw:
                assert isinstance(capture, CorrectedCapture)
                found, before, sound = mean_of(capture), mean_of(raw), ~capture.corrections.bad
            error = found * truth.sum() / found.sum() / truth - 1
            plain = before * truth.sum() / before.sum() / truth - 1
            weight = cv2.blur(sound.astype(float), (8, 8))
            fields = 100 * (cv2.blur(error * sound, (8, 8)) / weight)[4:-4, 4:-4]
            photons = 100 * np.sqrt(np.mean(2 / (truth * scenario.detector.gain_e_per_adu * FRAMES)))
            worst = max(worst, float(np.abs(fields).max()))
            row = f"{vignetting:10} {mosaic or 'mono':6} {100 * plain.std():8.2f} {fields.std():13.3f} "
            print(f"{row}{np.abs(fields).max():8.3f} {100 * error[sound].std():16.3f} {photons:15.3f}")
    print(f"worst field: {worst:.2f} % of the clean truth (wanted: 0.5)\n")


def noise_and_light(folder: Path) -> None:
    """Print the noise that flats add, and how well an evenly lit frame keeps its light."""
    print("flats   noise with flat / theory   light kept to")
    for flats in (2, 5, 20, 100):
        scenario = shaded(0.3, None)
        clean = {"hot_share": 0.0, "warm_share": 0.0, "dead_share": 0.0, "hot_columns": 0, "glow_electrons": 0.0}
        scenario = replace(scenario, detector=replace(scenario.detector, **clean))
        every = list(calibration_frames(scenario, 5, "flat", flats + 60, lamp=Lamp(0.5)))
        light = write_capture(folder / "light.fits", every[flats:], kind="fits", bits=12)
        flat = write_capture(folder / f"flat{flats}.fits", every[:flats], kind="fits", bits=12)
        frames = calibration_frames(scenario, 5, "dark", 100)
        dark = write_capture(folder / "dark.fits", frames, kind="fits", bits=12)
        said = Circumstances(dark=str(dark), flat=str(flat))
        with calibrate(open_capture(light, said)) as capture, open_capture(light) as raw, open_capture(dark) as leak:
            assert isinstance(capture, CorrectedCapture) and capture.corrections.factor is not None
            factor = capture.corrections.factor.astype(float)
            found, before = mean_of(capture), mean_of(raw) - mean_of(leak)
        gain, read = scenario.detector.gain_e_per_adu, scenario.detector.read_noise_electrons
        one = before / gain + (read / gain) ** 2
        # Propagation of errors: 60 frames, 100 darks, and the flats' own noise in proportion to the light.
        theory = factor**2 * (one / 60 + (read / gain) ** 2 / 100 + one / flats)
        ratio = np.sqrt(found.var() / theory.mean())
        print(f"{flats:5} {ratio:21.3f} {abs(found.sum() / before.sum() - 1):19.1e}")
    print("(wanted: no more than theory, 1; light within 1e-4)\n")


def photon_transfer(folder: Path) -> None:
    """Print gain and read noise against the simulated camera's."""
    print("camera                  from               gain: true  found       off   read noise: true  found    off")
    for number, detector in enumerate(CAMERAS):
        detector = replace(detector, wavelength_nm=535.0 if detector.mosaic else 600.0)
        optics = Optics(focal_length_mm=3 * 250 * 3 / (detector.wavelength_nm * 1e-3))
        air, tracking = Air(psf_grid=2), Tracking(jitter_px=0.5)
        scenario = Scenario(
            frames=16, height_px=256, width_px=256, detector=detector, optics=optics, air=air, tracking=tracking
        )
        made = {
            "flats": calibration_frames(scenario, 3, "flat", 2, lamp=Lamp(0.6, flicker=0.03)),
            "bias": calibration_frames(scenario, 3, "bias", 2),
            "capture": simulate(scenario, 3),
        }
        paths = {
            name: write_capture(
                folder / f"{number}{name}.fits", frames, kind="fits", bits=detector.bits, mosaic=detector.mosaic
            )
            for name, frames in made.items()
        }
        for name in ("flats", "capture"):
            with open_capture(paths[name]) as frames, open_capture(paths["bias"]) as bias:
                found = measure_camera([frames], bias)
            true, read = detector.gain_e_per_adu, detector.read_noise_electrons
            camera = f"{detector.bits} bits, {detector.mosaic or 'mono'}, {detector.peak_electrons:.0f} e"
            told = f"{found.read_noise_e:6.2f} {100 * (found.read_noise_e / read - 1):+6.1f} %"
            source = {"flats": "2 flats, 2 biases", "capture": "16 frames, 2 biases"}[name]
            gain = f"{true:8.4f} {found.gain_e_per_adu:8.4f} {100 * (found.gain_e_per_adu / true - 1):+6.1f} %"
            print(
                f"{camera:22} {source:20} {gain} {read:14.1f} {told if np.isfinite(found.read_noise_e) else 'hidden'}"
            )
    print("(wanted: gain within 3 %, read noise within 10 %; steps of 8 electrons hide 2 electrons of read noise)")


def main() -> None:
    """Print the tables."""
    with tempfile.TemporaryDirectory() as folder:
        shading(Path(folder))
        noise_and_light(Path(folder))
        photon_transfer(Path(folder))


if __name__ == "__main__":
    main()
