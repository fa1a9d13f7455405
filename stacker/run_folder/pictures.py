"""The finished picture for showing (PNG) and the linear stack for other software (TIFF)."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stacker.version import __version__

_JPEG_QUALITY = 93
"""Half of a typical planet's file at 98, no visible blocks (common practice, no source)."""
_AFTER_IHDR = 33
"""Bytes of a PNG's signature and IHDR chunk; colour chunks must follow before the pixels (PNG 1.2, section 5.6)."""


def write_png(path: Path, shown: NDArray[np.uint16] | NDArray[np.uint8]) -> None:
    """Write (H, W) or (H, W, 3) RGB, 8 or 16 bits, as a PNG that says its values are sRGB.

    Raises OSError where the disk refuses.
    """
    import cv2

    pixels = cv2.cvtColor(shown, cv2.COLOR_RGB2BGR) if shown.ndim == 3 else shown
    done, encoded = cv2.imencode(".png", pixels)
    if not done:
        raise OSError(f"a picture of {shown.shape} {shown.dtype} cannot be stored as PNG")
    data = encoded.tobytes()
    perceptual = b"\0"
    chunks = _chunk(b"sRGB", perceptual) + _chunk(b"tEXt", f"Software\0stillair {__version__}".encode("latin-1"))
    path.write_bytes(data[:_AFTER_IHDR] + chunks + data[_AFTER_IHDR:])


def write_jpeg(path: Path, shown: NDArray[np.uint16]) -> None:
    """Write (H, W) or (H, W, 3) RGB as an 8-bit JPEG for sharing; a JPEG without a profile is taken as sRGB.

    Raises OSError where the disk refuses.
    """
    import imageio.v3

    eight_bits = ((shown.astype(np.uint32) + 128) // 257).astype(np.uint8)
    data = imageio.v3.imwrite("<bytes>", eight_bits, extension=".jpg", quality=_JPEG_QUALITY)
    path.write_bytes(data)


def write_tiff(path: Path, image: NDArray[np.float32]) -> None:
    """Write (H, W) or (H, W, 3) RGB as a 32-bit float TIFF.

    Raises OSError where the disk refuses.
    """
    import tifffile

    photometric = "rgb" if image.ndim == 3 else "minisblack"
    tifffile.imwrite(path, image, photometric=photometric, software=f"stillair {__version__}", metadata=None)


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
