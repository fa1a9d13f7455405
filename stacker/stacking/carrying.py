"""From a raw frame of the capture to what it adds to the stack: mended, levelled, on the common geometry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.record import Alignment
from stacker.capture.sequence import Capture, Frame
from stacker.interpolation import interpolate
from stacker.settings import StackingSettings
from stacker.stacking.demosaic import demosaic
from stacker.stacking.filling import motion_fills_the_grid
from stacker.stacking.outliers import Share
from stacker.stacking.spread import stand_everywhere
from stacker.stacking.strips import strips
from stacker.stacking.warping import Warper, carry_mosaic, colour_masks, green_of

Array = NDArray[np.float32]


@dataclass(frozen=True)
class Carried:
    """One frame on the stack's pixels."""

    image: Array
    """(H', W') or (H', W', 3) values; where a mosaic frame has no sample of a colour, without meaning."""
    share: Share
    """Which pixels show something, or how much of a sample stands behind each, 0 to 1: for a mosaic (H', W', 3)."""
    gray: Array
    """(H', W') for spectra: green where there are colours."""


@dataclass(frozen=True)
class Carrier:
    """Carries the used frames of one capture."""

    alignment: Alignment
    warper: Warper
    mosaic: str | None
    masks: Array | None
    """(H, W, 3) where the sensor sees each colour, for raw samples that are averaged as they are; else None."""
    shape: tuple[int, ...]
    """Of the stack: (H', W') or (H', W', 3)."""
    kernel: str
    """Of the interpolation of frames and spectra: prefiltered where frames stand at all fractions of a pixel, cubic
    elsewhere, onto finer pixels, and for a mosaic's green."""

    @classmethod
    def of(cls, capture: Capture, alignment: Alignment, settings: StackingSettings) -> Carrier:
        """Return the carrier of a capture's frames to a stack."""
        frame_shape = (capture.shape[0], capture.shape[1])
        quick = settings.effort == "quick"
        warper = Warper.over(alignment, frame_shape, settings.zoom, coarsely=quick)
        as_sampled = capture.mosaic is not None and motion_fills_the_grid(alignment, capture.mosaic)
        masks = colour_masks(frame_shape, capture.mosaic or "") if as_sampled else None
        colour = capture.mosaic is not None or len(capture.shape) == 3
        shape = (*warper.rows.shape, 3) if colour else warper.rows.shape
        plain = not as_sampled and settings.zoom == 1
        kernel = "prefiltered" if plain and stand_everywhere(alignment) else "cubic"
        return cls(alignment, warper, capture.mosaic, masks, shape, kernel)

    @property
    def is_demosaiced(self) -> bool:
        """Return whether a mosaic's frames are filled one by one, since their motion does not fill the grid."""
        return self.mosaic is not None and self.masks is None

    def carry(self, order: int, frame: Frame, with_gray: bool = False) -> Carried:
        """Return used frame number `order` on the stack's pixels; a mosaic's `gray` is empty unless asked for."""
        plane = frame.astype(np.float32)
        self.alignment.repair(plane, out=plane)
        plane *= np.float32(self.alignment.scale[order])
        maps = self.warper.maps(order)
        if self.masks is None:
            image = interpolate(demosaic(plane, self.mosaic) if self.mosaic else plane, maps, self.kernel)
            return Carried(image, self.warper.seen(maps), image if image.ndim == 2 else image[..., 1])
        samples, weights = carry_mosaic(plane, self.masks, maps)
        gray = interpolate(green_of(plane, self.mosaic), maps, "cubic") if with_gray else np.zeros((0, 0), np.float32)
        for rows in strips(samples.shape):
            samples[rows] /= np.maximum(weights[rows], 1e-6)
        return Carried(samples, weights, gray)
