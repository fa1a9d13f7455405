"""Opening a capture: the reader is chosen by what the file holds, never by its ending."""

from __future__ import annotations

from pathlib import Path

from stacker.capture.circumstances import Circumstances
from stacker.capture.positioned import PositionedFile, unreadable
from stacker.capture.sequence import Capture, CaptureError
from stacker.capture.sidecar import declared_circumstances

_TEXT_SAMPLE_BYTES = 4096
_TEXT_CONTROLS = frozenset(b"\t\n\r\f\x1b")
_RAW_VIDEO_MAGIC = (b"YUV4MPEG2 ",)
_PACKED = {b"\x1f\x8b": "gzip", b"BZh": "bzip2", b"PK\x03\x04": "zip", b"\xfd7zXZ": "xz", b"7z\xbc\xaf": "7z"}


def open_capture(path: Path | str, overrides: Circumstances | None = None) -> Capture:
    """Open a capture (a file, or a folder of frames) and settle what header, sidecar and `overrides` say.

    Overrides beat the sidecar `<name without ending>.toml`, that beats `night.toml` in the same folder,
    that beats the file's own header.

    Raises CaptureError, one line, where the capture or its sidecar cannot be used.
    """
    path = Path(path)
    if path.name in ("", ".."):  # a folder named by its place still needs a name for its sidecar and results
        path = path.resolve()
    try:
        return _open(path, overrides)
    except OSError as error:
        raise unreadable(path, error) from error


def _open(path: Path, overrides: Circumstances | None) -> Capture:
    if path.is_dir():
        return _open_folder(path, declared_circumstances(path, overrides))
    if path.exists() and not path.is_file():
        raise CaptureError(path, "is neither a file nor a folder", "name a capture")
    file = PositionedFile(path)
    try:
        return _open_file(path, file, overrides)
    except BaseException:
        file.close()
        raise


def _open_folder(path: Path, declared: Circumstances) -> Capture:
    from stacker.capture.folder import frames_in_folder

    kind, files, notes = frames_in_folder(path)
    if kind == "FITS":
        from stacker.capture.fits_cube import FitsFolder

        return FitsFolder(path, files, declared, notes)
    from stacker.capture.pictures import PictureCapture

    return PictureCapture(path, files, declared, notes)


def _open_file(path: Path, file: PositionedFile, overrides: Circumstances | None) -> Capture:
    """Open by magic bytes; `file` is handed to the reader or closed."""
    head = file.read(0, _TEXT_SAMPLE_BYTES)
    if not head:
        raise CaptureError(path, "is empty", "record it again or restore it from a copy")
    is_fits = head.startswith(b"SIMPLE  =")
    if not is_fits and is_text(head):
        # Before its sidecar is looked for: a sidecar's own name would lead to itself.
        raise CaptureError(path, "holds text, not frames", "give a video, FITS or TIFF file, or a folder of pictures")
    declared = declared_circumstances(path, overrides)
    if is_fits:
        from stacker.capture.fits_cube import FitsCube

        return FitsCube(path, file, declared)
    if head[:4] == b"RIFF" and head[8:12] == b"AVI ":
        from stacker.capture.avi import AviCapture, pixel_layout
        from stacker.capture.riff import index_avi

        index = index_avi(file)
        if pixel_layout(index) is not None:
            return AviCapture(path, file, index, declared)
    file.close()
    return _open_decoded(path, head, declared)


def _open_decoded(path: Path, head: bytes, declared: Circumstances) -> Capture:
    """Open what needs a decoder."""
    from stacker.capture.picture_size import picture_kind

    kind = picture_kind(head)
    if kind == "TIFF":
        from stacker.capture.tiff import TiffCapture

        return TiffCapture(path, declared)
    if kind:
        from stacker.capture.pictures import PictureCapture

        return PictureCapture(path, [path], declared)
    for magic, packing in _PACKED.items():
        if head.startswith(magic):
            raise CaptureError(path, f"is packed with {packing}", "unpack it first")
    from stacker.capture.video import VideoCapture

    return VideoCapture(path, declared)


def is_text(head: bytes) -> bool:
    """Return whether a file that begins like this holds text."""
    if head.startswith(_RAW_VIDEO_MAGIC):
        return False
    return all(byte >= 32 or byte in _TEXT_CONTROLS for byte in head) and 127 not in head
