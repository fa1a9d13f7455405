"""Writing captures in every format that `stacker.capture` reads, frame by frame, whole or not at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture import CaptureError, Circumstances
from stacker.capture.sidecar import sidecar_path, sidecar_text
from stacker.simulation.avi_writing import FIRST_SEGMENT_BYTES, AviWriter, avi_kind
from stacker.simulation.fits_writing import FitsWriter

Image = NDArray[Any]
Put = Callable[[Image], None]

KINDS: dict[str, str] = {
    "avi": "uncompressed AVI, 8-bit gray or mosaic, rows top-down",
    "avi-bottom-up": "uncompressed AVI, 8-bit palettised bitmap, rows bottom-up",
    "avi-16": "uncompressed AVI, 16-bit gray or mosaic",
    "avi-colour": "uncompressed AVI, 24-bit bitmap, rows bottom-up",
    "ffv1": "FFV1 in Matroska, gray or RGB, 8 or 16 bit, lossless",
    "h264": "H.264 in MP4, 8 bit, lossy",
    "mov": "H.264 in QuickTime, 8 bit, lossy",
    "fits": "FITS cube, 8 or 16 bit or float",
    "fits-folder": "folder of FITS frames",
    "tiff": "multi-page TIFF, integer or float",
    "tiff-folder": "folder of TIFF pictures",
    "png": "folder of PNG pictures, 8 or 16 bit",
    "jpeg": "folder of JPEG pictures, 8 bit, lossy",
}
"""Every kind that can be written, in words."""
_PICTURE_ENDINGS = {"png": ".png", "jpeg": ".jpg", "tiff-folder": ".tif"}


def write_capture(
    path: Path | str,
    frames: Iterable[Image],
    *,
    kind: str,
    bits: int,
    mosaic: str | None = None,
    fps: float = 50.0,
    circumstances: Circumstances | None = None,
    start_utc: str | None = None,
    segment_bytes: int = FIRST_SEGMENT_BYTES,
) -> Path:
    """Write `frames`, (H, W) or (H, W, 3) RGB of one size in uint8, uint16 or float32, as one capture.

    `kind` is one of `KINDS`; folders get frames f00000, f00001, ... `bits` are the significant bits: a format
    that holds 8 refuses more. Mosaic, times and circumstances go into headers that have a place for them
    (FITS all, AVI the mosaic); the rest belongs into `write_sidecar`. `segment_bytes` limits an AVI segment.

    One frame is in memory at a time. Raises ValueError for frames that the kind cannot hold and CaptureError
    where the disk refuses; nothing is left behind then.
    """
    path = Path(path)
    if kind not in KINDS:
        raise ValueError(f"unknown kind {kind!r}; known are {', '.join(KINDS)}")
    known = circumstances or Circumstances()
    known = replace(known, start_utc=start_utc or known.start_utc)
    stream = iter(frames)
    first = next(stream, None)
    if first is None:
        raise ValueError("a capture needs at least one frame")
    _check(kind, first, bits)
    with (
        _whole_or_nothing(path) as temporary,
        _writer(kind, temporary, first, mosaic, fps, known, segment_bytes) as put,
    ):
        for frame in chain([first], stream):
            if frame.shape != first.shape or frame.dtype != first.dtype:
                raise ValueError(f"a frame is {frame.shape} {frame.dtype}, the first {first.shape} {first.dtype}")
            put(frame)
    return path


def write_sidecar(capture: Path | str, circumstances: Circumstances) -> Path:
    """Write what is known about a capture to its sidecar and return the sidecar's path."""
    target = sidecar_path(Path(capture))
    with _whole_or_nothing(target) as temporary:
        temporary.write_text(sidecar_text(circumstances), encoding="utf-8", newline="\n")
    return target


def _check(kind: str, first: Image, bits: int) -> None:
    narrow = kind in ("avi", "avi-bottom-up", "avi-colour", "h264", "mov", "jpeg")
    if narrow and (first.dtype != np.uint8 or bits > 8):
        raise ValueError(f"{kind} holds 8-bit frames, not {bits} bits in {first.dtype}")
    if kind == "avi-16" and first.dtype != np.uint16:
        raise ValueError(f"avi-16 holds uint16 frames, not {first.dtype}")
    if first.dtype == np.float32 and kind not in ("fits", "fits-folder", "tiff", "tiff-folder"):
        raise ValueError(f"{kind} cannot hold float frames")
    if (kind == "avi-colour") != (first.ndim == 3) and kind.startswith("avi"):
        raise ValueError(f"{kind} cannot hold frames of shape {first.shape}")


@contextmanager
def _whole_or_nothing(path: Path) -> Iterator[Path]:
    """Give a temporary name beside `path`, moved there in the end, removed on any failure."""
    temporary = path.with_name(f".{path.name}.part{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        if temporary.is_dir() and path.is_dir():
            shutil.rmtree(path)
        os.replace(temporary, path)
    except OSError as error:
        raise CaptureError(
            path, f"cannot be written ({error.strerror or error})", "free space or choose another place"
        ) from error
    finally:
        if temporary.is_dir():
            shutil.rmtree(temporary, ignore_errors=True)
        else:
            temporary.unlink(missing_ok=True)


@contextmanager
def _writer(
    kind: str,
    path: Path,
    first: Image,
    mosaic: str | None,
    fps: float,
    known: Circumstances,
    segment_bytes: int,
) -> Iterator[Put]:
    """Give the function that appends one frame to the capture at `path`."""
    if kind.startswith("avi"):
        with path.open("wb") as file:
            avi = AviWriter(file, avi_kind(kind, mosaic), first.shape, fps, segment_bytes)
            yield avi.write
            avi.close()
    elif kind == "fits":
        with path.open("wb") as file:
            fits = FitsWriter(file, first, known, mosaic=mosaic, fps=fps)
            yield fits.write
            fits.close()
    elif kind == "tiff":
        import tifffile

        with tifffile.TiffWriter(path, bigtiff=False) as tiff:
            photometric = "rgb" if first.ndim == 3 else "minisblack"

            def put_page(frame: Image) -> None:
                tiff.write(frame, photometric=photometric, contiguous=False, metadata=None)

            yield put_page
    elif kind in ("ffv1", "h264", "mov"):
        with _video_writer(kind, path, first, fps) as put:
            yield put
    else:
        path.mkdir()
        yield _folder_writer(kind, path, mosaic, fps, known)


@contextmanager
def _video_writer(kind: str, path: Path, first: Image, fps: float) -> Iterator[Put]:
    import av

    container_format = {"ffv1": "matroska", "h264": "mp4", "mov": "mov"}[kind]
    native = {(2, "u1"): "gray", (2, "u2"): "gray16le", (3, "u1"): "rgb24", (3, "u2"): "gbrp16le"}
    source = native[first.ndim, first.dtype.str[1:]]
    with av.open(str(path), "w", format=container_format) as container:
        rate = Fraction(fps).limit_denominator(100000)
        stream: Any = container.add_stream("ffv1" if kind == "ffv1" else "libx264", rate=rate)
        stream.height, stream.width = first.shape[:2]
        if kind == "ffv1":
            stream.pix_fmt = {"rgb24": "bgr0"}.get(source, source)
            stream.options = {"level": "3", "slices": "4", "slicecrc": "1", "g": "1"}
        else:
            stream.pix_fmt = "yuv420p"
            stream.options = {"crf": "12", "preset": "veryfast"}

        count = 0

        def put(frame: Image) -> None:
            nonlocal count
            picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(frame), format=source)
            picture.pts = count
            picture.time_base = 1 / rate
            count += 1
            container.mux(stream.encode(picture))

        yield put
        container.mux(stream.encode(None))


def _folder_writer(kind: str, folder: Path, mosaic: str | None, fps: float, known: Circumstances) -> Put:
    count = 0

    def put(frame: Image) -> None:
        nonlocal count
        name = folder / f"f{count:05d}{_PICTURE_ENDINGS.get(kind, '.fits')}"
        if kind == "fits-folder":
            _write_fits_frame(name, frame, mosaic, fps, _at_frame(known, count, fps))
        else:
            _write_picture(name, frame)
        count += 1

    return put


def _at_frame(known: Circumstances, index: int, fps: float) -> Circumstances:
    """Return the circumstances of one frame: its own start."""
    if known.start_utc is None:
        return known
    start = np.datetime64(known.start_utc.rstrip("Z"), "us") + np.timedelta64(round(index / fps * 1e6), "us")
    return replace(known, start_utc=f"{start}Z")


def _write_fits_frame(name: Path, frame: Image, mosaic: str | None, fps: float, known: Circumstances) -> None:
    with name.open("wb") as file:
        writer = FitsWriter(file, frame, known, mosaic=mosaic, fps=fps, single=True)
        writer.write(frame)
        writer.close()


def _write_picture(name: Path, frame: Image) -> None:
    import cv2

    pixels = cv2.cvtColor(frame, cv2.COLOR_RGB2BGR) if frame.ndim == 3 else frame
    quality = [cv2.IMWRITE_JPEG_QUALITY, 95] if name.suffix == ".jpg" else []
    done, data = cv2.imencode(name.suffix, pixels, quality)
    if not done:
        raise ValueError(f"a frame of {frame.shape} {frame.dtype} cannot be stored as {name.suffix}")
    name.write_bytes(data.tobytes())
