"""FITS cubes and frames (FITS standard 4.0), written as a stream."""

from __future__ import annotations

from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from stacker.capture import Circumstances
from stacker.fits_card import BLOCK_BYTES, Value, cards, header_block

_BITPIX = {"u1": 8, "u2": 16, "i2": 16, "i4": 32, "f4": -32, "f8": -64}


class FitsWriter:
    """Writes frames to an open file, rows top-down; `close` writes their number into the header.

    Gray frames make a cube of NAXIS3 frames, colour frames (W, H, 3, N). `single` writes one plain image.
    """

    def __init__(
        self,
        file: BinaryIO,
        like: NDArray[np.generic],
        circumstances: Circumstances,
        *,
        mosaic: str | None,
        fps: float,
        single: bool = False,
    ) -> None:
        self._file, self._like, self._single, self._frames = file, like, single, 0
        self._cards_after = _cards(circumstances, mosaic, fps)
        self._file.write(self._header())

    def write(self, frame: NDArray[np.generic]) -> None:
        """Append one frame: (H, W) or (H, W, 3)."""
        planes: NDArray[Any] = frame.transpose(2, 0, 1) if frame.ndim == 3 else frame
        if planes.dtype == np.uint16:
            planes = (planes ^ np.uint16(0x8000)).view(np.int16)
        self._file.write(np.ascontiguousarray(planes, planes.dtype.newbyteorder(">")).tobytes())
        self._frames += 1

    def close(self) -> None:
        """Pad the data to whole blocks and mend the header."""
        self._file.write(b"\0" * (-self._file.tell() % BLOCK_BYTES))
        self._file.seek(0)
        self._file.write(self._header())

    def _header(self) -> bytes:
        like = self._like
        axes = [like.shape[1], like.shape[0], *like.shape[2:]] + ([] if self._single else [self._frames])
        lines = [*cards("SIMPLE", True, "FITS standard 4.0"), *cards("BITPIX", _BITPIX[like.dtype.str[1:]])]
        lines += cards("NAXIS", len(axes))
        words = {3: "planes R, G, B"} if like.ndim == 3 else {}
        for number, length in enumerate(axes, 1):
            lines += cards(f"NAXIS{number}", length, words.get(number, ""))
        if like.dtype == np.uint16:
            lines += [*cards("BSCALE", 1), *cards("BZERO", 32768)]
        return header_block([*lines, *self._cards_after])


def _cards(circumstances: Circumstances, mosaic: str | None, fps: float) -> list[str]:
    telescope, camera, site = circumstances.telescope, circumstances.camera, circumstances.site
    values: dict[str, Value] = {
        "OBJECT": circumstances.target,
        "DATE-OBS": circumstances.start_utc.rstrip("Z") if circumstances.start_utc else None,
        "XPOSURE": circumstances.exposure_s,
        "FRATE": fps,
        "FILTER": circumstances.filter,
        "TELESCOP": telescope.name,
        "APTDIA": telescope.aperture_mm,
        "FOCALLEN": telescope.focal_length_mm,
        "INSTRUME": camera.name,
        "XPIXSZ": camera.pixel_um,
        "YPIXSZ": camera.pixel_um,
        "EGAIN": camera.gain_e_per_adu,
        "CCD-TEMP": camera.temperature_c,
        "SITENAME": site.name,
        "SITELAT": site.latitude_deg,
        "SITELONG": site.longitude_deg,
        "SITEELEV": site.elevation_m,
        "ROWORDER": "TOP-DOWN",
        "BAYERPAT": mosaic,
    }
    return [card for keyword, value in values.items() if value is not None for card in cards(keyword, value)]
