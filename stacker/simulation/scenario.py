"""Every knob of a simulated capture, with its unit in its name."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import pi

from stacker.capture.circumstances import MOSAICS, Camera, Circumstances, Site, Telescope
from stacker.simulation.planet import BandedPlanet
from stacker.simulation.scenes import Scene

ARCSEC_PER_RADIAN = 180.0 * 3600.0 / pi


@dataclass(frozen=True)
class Optics:
    """The telescope; the focal length includes the Barlow lens."""

    name: str = "model telescope"
    aperture_mm: float = 250.0
    obstruction_mm: float = 75.0
    focal_length_mm: float = 3750.0
    defocus_waves: float = 0.0
    """Peak-to-valley wavefront error over the pupil, in waves of the reference wavelength; so are the next three."""
    astigmatism_waves: float = 0.0
    coma_waves: float = 0.0
    spherical_waves: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.obstruction_mm < self.aperture_mm or self.focal_length_mm <= 0:
            raise ValueError("the obstruction must be smaller than the aperture and the focal length positive")


@dataclass(frozen=True)
class Layer:
    """One turbulent layer that the wind carries along unchanged (frozen flow)."""

    height_m: float
    share: float
    """Part of the turbulence integral; the shares of an atmosphere are divided by their sum."""
    wind_m_per_s: float
    wind_angle_deg: float
    """Direction that the layer moves to, from +x (right) towards +y (down)."""


@dataclass(frozen=True)
class Air:
    """The atmosphere in front of the telescope."""

    d_over_r0: float = 5.0
    """Aperture over Fried parameter at the reference wavelength: the seeing's strength, median over the capture."""
    seeing_sigma: float = 0.25
    """Standard deviation of ln r0 in time."""
    seeing_memory_s: float = 0.4
    """Time over which the strength forgets itself (exponential correlation)."""
    outer_scale_m: float = 20.0
    layers: tuple[Layer, ...] = (
        Layer(0.0, 0.5, 3.0, 20.0),
        Layer(2000.0, 0.3, 7.0, 140.0),
        Layer(8000.0, 0.2, 14.0, -75.0),
    )
    zenith_distance_deg: float = 0.0
    """Sets the dispersion between the colours; the seeing is given by `d_over_r0` alone."""
    zenith_angle_deg: float = -90.0
    """Direction of the zenith in the frame, from +x (right) towards +y (down): -90 is up."""
    sub_exposures: int = 1
    """Instants averaged within one exposure; 1 freezes the air."""
    psf_grid: int = 5
    """Field points per axis that have a point spread function of their own."""
    tilt_grid: int = 17
    """Field points per axis of the displacement field."""

    def __post_init__(self) -> None:
        if self.d_over_r0 < 0:
            raise ValueError(f"the seeing, D/r0, is {self.d_over_r0:g}, must be 0 or more")
        if self.outer_scale_m <= 0 or not self.layers or self.sub_exposures < 1:
            raise ValueError("outer_scale_m must be positive, and there must be a layer and a sub-exposure")
        if self.psf_grid < 2 or self.tilt_grid < 4:
            raise ValueError("psf_grid must be at least 2 and tilt_grid at least 4")


@dataclass(frozen=True)
class Detector:
    """The camera: from photons to stored numbers."""

    name: str = "model camera"
    pixel_um: float = 3.0
    bits: int = 8
    high_aligned: bool = False
    """Store 10, 12 or 14 bits in the upper bits of 16."""
    mosaic: str | None = None
    colour: bool = False
    """Three full planes instead of one (no mosaic)."""
    wavelength_nm: float = 600.0
    """Reference wavelength: of a mono camera, and of `d_over_r0` and `aberrations` always."""
    colours_nm: tuple[float, float, float] = (620.0, 535.0, 465.0)
    peak_electrons: float = 1500.0
    """Electrons of a scene point of brightness 1 in one exposure."""
    peak_level: float = 0.7
    """The same point as a part of full scale; above 1 the picture saturates."""
    sky_electrons: float = 1.0
    read_noise_electrons: float = 2.0
    offset_adu: float = 6.0
    """In numbers of the converter, before alignment."""
    hot_share: float = 0.0001
    warm_share: float = 0.0001
    dead_share: float = 0.0001
    fixed_pattern_rms: float = 0.0
    """Relative spread of the pixels' sensitivity."""
    vignetting: float = 0.0
    """Relative loss of light in the corners."""
    dust_specks: int = 0
    glow_electrons: float = 0.0
    """Light of the amplifier itself in one exposure, in its corner; half a frame away it is e times less."""
    hot_columns: int = 0
    """Columns with a charge of their own, 2 to 10 per cent of the well in one exposure."""
    row_noise_electrons: float = 0.0
    """Spread of an offset that each row of each frame has to itself."""
    column_noise_electrons: float = 0.0
    """Spread of an offset that each column keeps."""
    colour_response: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """Sensitivity behind the colour filters R, G, B to white light; 1 is `peak_electrons`."""

    def __post_init__(self) -> None:
        if not 4 <= self.bits <= 16:
            raise ValueError(f"bits is {self.bits}, must be 4 to 16")
        if self.mosaic is not None and self.mosaic not in MOSAICS:
            raise ValueError(f"mosaic is {self.mosaic!r}, must be one of {', '.join(MOSAICS)}")
        if self.mosaic is not None and self.colour:
            raise ValueError("a camera has a mosaic or three full planes, not both")
        if self.peak_electrons <= 0 or self.peak_level <= 0:
            raise ValueError("peak_electrons and peak_level must be positive")
        if len(self.colour_response) != 3 or min(self.colour_response) <= 0:
            raise ValueError("colour_response takes three positive numbers")

    @property
    def full_scale_adu(self) -> int:
        """Return the largest number of the converter."""
        return (1 << self.bits) - 1

    @property
    def gain_e_per_adu(self) -> float:
        """Return the electrons per number of the converter."""
        return self.peak_electrons / (self.peak_level * self.full_scale_adu)

    @property
    def channels_nm(self) -> tuple[float, ...]:
        """Return the wavelength of each channel that is imaged."""
        return self.colours_nm if self.mosaic or self.colour else (self.wavelength_nm,)


@dataclass(frozen=True)
class Tracking:
    """How the mount holds the target."""

    drift_y_px: float = 0.0
    """Way over the whole capture."""
    drift_x_px: float = 0.0
    periodic_error_px: float = 0.0
    """Amplitude along x."""
    periodic_error_s: float = 8.0
    jitter_px: float = 0.0
    """Random step from frame to frame (rms of each axis), wind shake beyond the air."""
    jumps: int = 0
    jump_px: float = 6.0


@dataclass(frozen=True)
class Mishaps:
    """What goes wrong with single frames; numbers of frames."""

    out_of_field: int = 0
    duplicates: int = 0
    torn: int = 0
    blank: int = 0
    cloud: float = 0.0
    """Largest loss of light in thin, drifting cloud (0 to 1)."""


@dataclass(frozen=True)
class Scenario:
    """A whole capture. `simulate(Scenario(), seed)` gives the same bytes for the same seed."""

    scene: Scene = field(default_factory=BandedPlanet)
    frames: int = 200
    height_px: int = 256
    width_px: int = 256
    frames_per_s: float = 50.0
    exposure_s: float = 0.008
    start_utc: str = "2031-04-05T21:30:00Z"
    target: str = "model planet"
    optics: Optics = field(default_factory=Optics)
    air: Air = field(default_factory=Air)
    detector: Detector = field(default_factory=Detector)
    tracking: Tracking = field(default_factory=Tracking)
    mishaps: Mishaps = field(default_factory=Mishaps)
    site: Site = field(default_factory=Site)
    oversampling: int = 1
    """Optical pixels per camera pixel and axis; above 1 the camera's pixels integrate over their area."""
    fast: bool = False
    """For speed trials: cycle `fast_bank` blurred pictures; each frame has its own warp, pointing, Gaussian noise."""
    fast_bank: int = 12

    def __post_init__(self) -> None:
        if self.frames < 1 or min(self.height_px, self.width_px) < 16:
            said = f"{self.frames} frames of {self.width_px}x{self.height_px} px"
            raise ValueError(f"{said} make no capture; give a frame at least, of 16x16 px or more")
        if self.oversampling < 1 or self.fast_bank < 1:
            raise ValueError("oversampling and fast_bank must be at least 1")
        if self.frames_per_s <= 0 or not 0 < self.exposure_s <= 1.0001 / self.frames_per_s:
            raise ValueError("the exposure must be positive and fit between two frames")
        if min(self.detector.channels_nm) * self.oversampling * self.optics.focal_length_mm < (
            2000.0 * self.optics.aperture_mm * self.detector.pixel_um
        ):
            raise ValueError("fewer than 2 px per lambda/D: raise the sampling (a longer focal length) or oversampling")

    @property
    def scale_arcsec_per_px(self) -> float:
        """Return the size of a camera pixel on the sky."""
        return self.detector.pixel_um * 1e-3 / self.optics.focal_length_mm * ARCSEC_PER_RADIAN

    def sampling_px(self, wavelength_nm: float) -> float:
        """Return camera pixels per lambda/D; the optical cutoff is its inverse, in cycles per pixel."""
        return wavelength_nm * 1e-3 * self.optics.focal_length_mm / (self.optics.aperture_mm * self.detector.pixel_um)

    def circumstances(self) -> Circumstances:
        """Return what a sidecar says of this capture."""
        camera, optics = self.detector, self.optics
        return Circumstances(
            target=self.target,
            start_utc=self.start_utc,
            exposure_s=self.exposure_s,
            wavelength_nm=camera.channels_nm[len(camera.channels_nm) // 2],
            telescope=Telescope(optics.name, optics.aperture_mm, optics.focal_length_mm, optics.obstruction_mm),
            camera=Camera(
                name=camera.name,
                pixel_um=camera.pixel_um,
                mosaic=camera.mosaic,
                gain_e_per_adu=round(camera.gain_e_per_adu, 6),
                bits=camera.bits,
            ),
            site=self.site,
        )
