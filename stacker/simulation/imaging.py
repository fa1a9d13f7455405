"""What air and telescope make of the scene: a blurred canvas, displaced into the frame."""

from __future__ import annotations

from functools import cached_property

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.interpolate import make_interp_spline

from stacker.simulation.atmosphere import Atmosphere
from stacker.simulation.course import Course
from stacker.simulation.field_blur import FieldBlur, node_positions
from stacker.simulation.optics import Pupil, make_pupil, point_spread, remove_tilt
from stacker.simulation.scenario import ARCSEC_PER_RADIAN, Scenario
from stacker.simulation.scenes import DrawnScene, channel_of, draw_scene
from stacker.sky.refraction import dispersion_arcsec

Real = NDArray[np.float32]

_SAMPLES_ACROSS = 32.0
_SAMPLES_PER_R0 = 3.0
_TURN_STEP_PX = 0.05
_SMEAR_STEP_PX = 0.25
_MASK_EDGE_PX = 5
_NOTHING = np.zeros((0, 0), np.float32)


class Imaging:
    """Scene, air and telescope of one capture.

    The canvas is the frame with margins wide enough for pointing and image motion. Its pixel x is seen in frame
    pixel x - margin + pointing + tilt, the tilt being that of the direction in which the frame pixel looks.
    Radiance is kept (no Jacobian): air that magnifies a patch also focuses more of its light into the telescope.
    """

    def __init__(
        self, scenario: Scenario, course: Course, scene_rng: np.random.Generator, air_rng: np.random.Generator
    ) -> None:
        """Size the canvas, draw the scene and the layers of air."""
        self.scenario, self.course = scenario, course
        factor = scenario.oversampling
        self.frame_px = (scenario.height_px * factor, scenario.width_px * factor)
        self._radians_per_px = scenario.scale_arcsec_per_px / ARCSEC_PER_RADIAN / factor
        self._channels_nm = scenario.detector.channels_nm
        strongest = float(max(course.d_over_r0.max(), scenario.air.d_over_r0, 0.1))
        across = max(_SAMPLES_ACROSS, _SAMPLES_PER_R0 * scenario.air.d_over_r0)
        self._psf_px = _even_fast(across * factor * scenario.sampling_px(scenario.detector.wavelength_nm))
        self.margin_px = self._margins(strongest)
        self.canvas_px = tuple(n + 2 * m for n, m in zip(self.frame_px, self.margin_px, strict=True))
        self.scene: DrawnScene = draw_scene(scene_rng, scenario.scene, self.frame_px, self._canvas())
        optics = scenario.optics
        aperture_m, obstruction_m = optics.aperture_mm * 1e-3, optics.obstruction_mm * 1e-3
        self.pupils = [self._pupil(wavelength, aperture_m, obstruction_m) for wavelength in self._channels_nm]
        self.atmosphere = Atmosphere(air_rng, scenario.air, aperture_m, obstruction_m, aperture_m / across)
        self._basis = [_spline_basis(n, scenario.air.tilt_grid) for n in self.frame_px]
        self._turned: int | None = None
        self._blurs: list[FieldBlur] = []

    @property
    def channel_shift_px(self) -> NDArray[np.float64]:
        """Return the displacement (C, 2) of each channel by dispersion, in camera px; the middle channel stays."""
        air = self.scenario.air
        middle = self._channels_nm[len(self._channels_nm) // 2]
        raised = [dispersion_arcsec(nm, middle, air.zenith_distance_deg) for nm in self._channels_nm]
        angle = np.deg2rad(air.zenith_angle_deg)
        direction = np.array([np.sin(angle), np.cos(angle)])
        return np.asarray(np.array(raised)[:, None] / self.scenario.scale_arcsec_per_px * direction)

    @cached_property
    def target_weight(self) -> NDArray[np.float64]:
        """Return weights (T, T) that turn the displacement's grid into its mean over the target."""
        (top, left), (height, width) = self.margin_px, self.frame_px
        target = self.scene.target[top : top + height, left : left + width].astype(np.float64)
        if not target.any():
            target[:] = 1.0
        weight = self._basis[0].T @ target @ self._basis[1]
        return np.asarray(weight / weight.sum())

    def tilt_px(self, index: int) -> Real:
        """Return the displacement (T, T, 2) by the air of frame `index` in camera px, mean over the exposure."""
        grid = [node_positions(n, self.scenario.air.tilt_grid) - (n - 1) / 2 for n in self.frame_px]
        points = np.stack(np.meshgrid(*grid, indexing="ij"), -1).reshape(-1, 2)
        slope = np.mean([self._slope(index, points, time_s) for time_s in self._instants(index)], axis=0)
        tilt = self._slope_to_px(slope) / self.scenario.oversampling
        side = self.scenario.air.tilt_grid
        return tilt.reshape(side, side, 2).astype(np.float32)

    def psf(self, index: int, channel: int) -> Real:
        """Return the tilt-free point spread functions (G^2, P, P) of frame `index` at the canvas' nodes."""
        points = self._node_offsets() + self.course.pointing_px[index] * self.scenario.oversampling
        pupil, directions = self.pupils[channel], points * self._radians_per_px
        strength = self._strength(index) * self.scenario.detector.wavelength_nm / self._channels_nm[channel]
        instants = self._instants(index)
        slopes = np.array([self._slope(index, points, time_s) for time_s in instants])
        radius_m = self.scenario.optics.aperture_mm * 0.5e-3
        wander = (slopes - slopes.mean(0)) * (strength / max(self._strength(index), 1e-12) * radius_m)
        total = np.zeros((len(points), pupil.size, pupil.size), np.float32)
        for time_s, moved in zip(instants, wander.astype(np.float32), strict=True):
            phase = remove_tilt(self.atmosphere.phase(directions, time_s, pupil) * np.float32(strength), pupil)
            phase += moved[:, 0, None, None] * pupil.y + moved[:, 1, None, None] * pupil.x
            total += point_spread(phase, pupil)
        return total / np.float32(len(instants))

    def blurred(self, index: int) -> tuple[Real, Real]:
        """Return the canvas (H, W, C) blurred as in frame `index`, and the Strehl ratio (G, G), middle channel."""
        blurs = self._blurs_at(index)
        nodes = self.scenario.air.psf_grid
        canvas = np.empty((*self._canvas(), len(blurs)), np.float32)
        strehl = np.ones((nodes, nodes), np.float32)
        for channel, blur in enumerate(blurs):
            psf = self.psf(index, channel)
            canvas[..., channel] = blur.apply(psf)
            if channel == len(blurs) // 2:
                strehl = psf.max((1, 2)).reshape(nodes, nodes) / self.perfect_psf(channel).max()
        return canvas, strehl

    def displaced(self, canvas: Real, index: int, tilt_px: Real) -> Real:
        """Return the frame (H, W) or (H, W, 3) in camera px: the canvas moved by pointing, dispersion and tilt.

        A mount that moves by more than a quarter of a pixel during the exposure smears it.
        """
        factor = self.scenario.oversampling
        base = [self._dense(-factor * tilt_px[..., axis]) for axis in (0, 1)]
        base[0] += np.arange(self.frame_px[0], dtype=np.float32)[:, None] + np.float32(self.margin_px[0])
        base[1] += np.arange(self.frame_px[1], dtype=np.float32)[None, :] + np.float32(self.margin_px[1])
        border = cv2.BORDER_CONSTANT if self.scene.bounded else cv2.BORDER_REFLECT
        planes = []
        for channel, dispersed in enumerate(self.channel_shift_px):
            plane = np.ascontiguousarray(canvas[..., channel])
            moments = []
            for pointing in self._pointings(index):
                map_y, map_x = (base[axis] - np.float32(factor * (pointing[axis] + dispersed[axis])) for axis in (0, 1))
                moments.append(cv2.remap(plane, map_x, map_y, cv2.INTER_CUBIC, borderMode=border))
            moved = moments[0] if len(moments) == 1 else np.mean(moments, axis=0)
            planes.append(_bin_down(np.asarray(moved, np.float32), factor))
        return planes[0] if len(planes) == 1 else np.asarray(np.stack(planes, axis=-1), np.float32)

    def perfect_psf(self, channel: int) -> Real:
        """Return the diffraction-limited point spread function (P, P), centre at [0, 0]."""
        pupil = self.pupils[channel]
        return np.asarray(point_spread(-pupil.static_phase[None], pupil)[0], np.float32)

    def diffraction_limited(self) -> Real:
        """Return the truth (H, W, C) on the canvas in camera px: mid-capture, through a perfect telescope."""
        picture = self.scene.picture(0.0)
        planes = []
        for channel, wavelength in enumerate(self._channels_nm):
            blur = FieldBlur(channel_of(picture, wavelength), 2, self._psf_px, self._cutoff(wavelength))
            perfect = np.repeat(self.perfect_psf(channel)[None], 4, 0)
            planes.append(_bin_down(blur.apply(perfect), self.scenario.oversampling))
        return np.stack(planes, axis=-1)

    def masks(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return where to judge a stack on the canvas in camera px: target and its edge, and well inside the target."""
        factor = self.scenario.oversampling
        target = _bin_down(self.scene.target.astype(np.float32), factor) > 0.5
        if not self.scene.bounded:
            return target, target
        size = 2 * _MASK_EDGE_PX + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        solid = target.astype(np.uint8)
        return cv2.dilate(solid, kernel) > 0, cv2.erode(solid, kernel) > 0

    def _blurs_at(self, index: int) -> list[FieldBlur]:
        """Return the scene prepared for blurring, redrawn when it has turned by a twentieth of a pixel."""
        rotation = self.scene.rotation_deg
        part = index / max(len(self.course.time_s) - 1, 1) - 0.5
        radius_px = 0.5 * max(self.frame_px)
        steps = max(1, int(np.ceil(np.deg2rad(abs(rotation)) * radius_px / _TURN_STEP_PX)))
        turned = round(part * steps)
        if turned != self._turned:
            picture = self.scene.picture(rotation * turned / steps)
            nodes = self.scenario.air.psf_grid
            self._blurs = [
                FieldBlur(channel_of(picture, nm), nodes, self._psf_px, self._cutoff(nm)) for nm in self._channels_nm
            ]
            self._turned = turned
        return self._blurs

    def _pointings(self, index: int) -> NDArray[np.float64]:
        """Return where the mount points (K, 2) in moments spread over the exposure."""
        way = self.course.speed_px_per_s[index] * self.scenario.exposure_s
        length = float(np.hypot(*way))
        moments = 1 if length < _SMEAR_STEP_PX else int(np.ceil(length / _SMEAR_STEP_PX))
        part = (np.arange(moments) + 0.5) / moments - 0.5
        return np.asarray(self.course.pointing_px[index] + part[:, None] * way)

    def _dense(self, grid: Real) -> Real:
        """Return the spline (H, W) through the displacement's grid (T, T)."""
        # cv2 keeps to one thread, so the sum's order and the bytes do not depend on the machine's cores.
        rows, columns = (basis.astype(np.float32) for basis in self._basis)
        across = cv2.gemm(np.ascontiguousarray(grid, np.float32), columns, 1.0, _NOTHING, 0.0, flags=cv2.GEMM_2_T)
        return np.asarray(cv2.gemm(rows, across, 1.0, _NOTHING, 0.0), np.float32)

    def _canvas(self) -> tuple[int, int]:
        return self.canvas_px[0], self.canvas_px[1]

    def _cutoff(self, wavelength_nm: float) -> float:
        return 1.0 / (self.scenario.sampling_px(wavelength_nm) * self.scenario.oversampling)

    def _node_offsets(self) -> NDArray[np.float64]:
        grid = [node_positions(n, self.scenario.air.psf_grid) - (n - 1) / 2 for n in self.canvas_px]
        return np.stack(np.meshgrid(*grid, indexing="ij"), -1).reshape(-1, 2)

    def _instants(self, index: int) -> list[float]:
        count, exposure_s = self.scenario.air.sub_exposures, self.scenario.exposure_s
        middle = float(self.course.time_s[index])
        return [middle + ((step + 0.5) / count - 0.5) * exposure_s for step in range(count)]

    def _slope(self, index: int, points_px: NDArray[np.float64], time_s: float) -> NDArray[np.float64]:
        """Return the mean phase slope (n, 2) in rad per metre at the reference wavelength, at points off the axis."""
        return self.atmosphere.slope(points_px * self._radians_per_px, time_s) * self._strength(index)

    def _slope_to_px(self, slope: NDArray[np.float64]) -> NDArray[np.float64]:
        wavelength_m = self.scenario.detector.wavelength_nm * 1e-9
        return np.asarray(slope * (wavelength_m / (2 * np.pi) / self._radians_per_px))

    def _strength(self, index: int) -> float:
        return float(self.course.d_over_r0[index] ** (5.0 / 6.0))

    def _pupil(self, wavelength_nm: float, aperture_m: float, obstruction_m: float) -> Pupil:
        optics = self.scenario.optics
        shorter = self.scenario.detector.wavelength_nm / wavelength_nm
        waves = (optics.defocus_waves, optics.astigmatism_waves, optics.coma_waves, optics.spherical_waves)
        scaled = (waves[0] * shorter, waves[1] * shorter, waves[2] * shorter, waves[3] * shorter)
        sampling = self.scenario.sampling_px(wavelength_nm) * self.scenario.oversampling
        return make_pupil(aperture_m, obstruction_m, sampling, self._psf_px, scaled)

    def _margins(self, strongest_seeing: float) -> tuple[int, int]:
        """Return margins for drift, image motion and wrapped blur that make the canvas quick to transform."""
        factor = self.scenario.oversampling
        seen = self.course.pointing_px[~self.course.out]
        sampling = self.scenario.sampling_px(self.scenario.detector.wavelength_nm) * factor
        motion = 0.43 * strongest_seeing ** (5.0 / 6.0) * sampling
        reach = 3.0 * motion + sampling * max(strongest_seeing, 3.0)
        margins = []
        for axis, length in enumerate(self.frame_px):
            needed = int(np.ceil(reach + factor * float(np.abs(seen[:, axis]).max())))
            needed = max(needed, (self._psf_px - length + 1) // 2)
            while (length + 2 * needed) % factor or scipy.fft.next_fast_len(length + 2 * needed, real=True) != (
                length + 2 * needed
            ):
                needed += 1
            margins.append(needed)
        return margins[0], margins[1]


def _spline_basis(length: int, nodes: int) -> NDArray[np.float64]:
    """Return the matrix (length, nodes) of cubic spline interpolation from evenly spaced nodes to pixels."""
    spline = make_interp_spline(node_positions(length, nodes), np.eye(nodes), k=3)
    return np.asarray(spline(np.arange(length)), np.float64)


def _even_fast(minimum: float) -> int:
    size = int(np.ceil(minimum))
    while size % 2 or scipy.fft.next_fast_len(size) != size:
        size += 1
    return size


def _bin_down(picture: Real, factor: int) -> Real:
    """Return the mean over `factor` x `factor` optical pixels."""
    if factor == 1:
        return picture
    size = (picture.shape[1] // factor, picture.shape[0] // factor)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)
