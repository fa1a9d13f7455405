"""The contract that every frame reader keeps, whatever the file behind it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType, TracebackType

import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import Circumstances
from stacker.fits_card import Value

Frame = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]


class CaptureError(Exception):
    """A capture cannot be used: the file, what is wrong, what to do, in one line."""

    def __init__(self, path: Path | str, wrong: str, advice: str) -> None:
        super().__init__(f"{path}: {wrong}; {advice}")
        self.path, self._said = Path(path), (path, wrong, advice)

    def __reduce__(self) -> tuple[type[CaptureError], tuple[Path | str, str, str]]:
        """Travel between processes."""
        return type(self), self._said


class Capture(ABC):
    """Frames of one capture, delivered one at a time; nothing is ever loaded whole.

    Rows run top-down as the camera delivered them. Mosaic data stay raw: `(H, W)` with `mosaic` set.
    `get_frame` may be called from several threads.
    """

    path: Path
    shape: tuple[int, ...]
    """(H, W), or (H, W, 3) in R, G, B order."""
    dtype: np.dtype[np.uint8] | np.dtype[np.uint16] | np.dtype[np.float32]
    bits: int
    """Significant bits of the stored integers (32 for float)."""
    full_scale: float
    """Stored value where the converter saturates: 255; 4095 or 65520 for 12 bits low or high aligned; inf for float."""
    mosaic: str | None
    frames_lost: int
    """Frames that the header promises or that began, but are not whole in the file."""
    times_utc: NDArray[np.datetime64] | None
    """UTC of each frame (datetime64[us]), or None where neither header nor sidecar tells."""
    circumstances: Circumstances
    notes: tuple[str, ...]
    """What the reader noticed, in words: lost frames, assumed alignment, ignored planes."""

    provenance: Mapping[str, tuple[Value, str]] = MappingProxyType({})
    """FITS keyword: (value, comment) of what was done to the frames as recorded; none for what a file delivers."""

    @property
    def is_sequential(self) -> bool:
        """Whether the file gives frames cheapest in order: a few samples are better taken from its beginning."""
        return False

    @property
    def has_random_access(self) -> bool:
        """Whether any frame is as cheap as the next, for every thread and for copies of this process."""
        return not self.is_sequential

    def decode_once(self) -> None:  # noqa: B027 (most readers have nothing to decode)
        """Be told that all frames will be read several times: from now on what is decoded is kept beside, on disk.

        Random access is had once every frame has been read, and not at all where the disk has no room.
        """

    @property
    def name(self) -> str:
        """Return the capture's name without ending: it names the run folder."""
        return self.path.name if self.path.is_dir() else self.path.stem

    @abstractmethod
    def __len__(self) -> int:
        """Return the number of whole frames."""

    @abstractmethod
    def get_frame(self, index: int, out: Frame | None = None) -> Frame:
        """Return frame `index` in the stored dtype; `out` is filled and returned where given.

        Raises IndexError outside 0..len-1 and CaptureError where the data cannot be read.
        """

    def read(self, indices: Iterable[int]) -> Iterator[tuple[int, Frame]]:
        """Yield `(index, frame)` for rising indices; sequential containers skip instead of seeking."""
        for index in indices:
            yield index, self.get_frame(index)

    def __iter__(self) -> Iterator[Frame]:
        """Yield every frame in order."""
        for _, frame in self.read(range(len(self))):
            yield frame

    def close(self) -> None:  # noqa: B027 (readers without a handle have nothing to close)
        """Release the file; closing twice is harmless."""

    def __enter__(self) -> Capture:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
