"""A capture whose frames must be decoded: once each, where they will be asked for again and again."""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Callable

from stacker.capture.decoded_frames import DecodedFrames
from stacker.capture.described import StoredCapture
from stacker.capture.sequence import CaptureError, Frame


class DecodedCapture(StoredCapture):
    """Decodes each frame that is asked for; after `decode_once` has been called, only where it has not yet done so."""

    _decoded: DecodedFrames | None = None

    @property
    def is_sequential(self) -> bool:
        return True

    @property
    def has_random_access(self) -> bool:
        return self._decoded is not None and self._decoded.is_complete

    @property
    def _is_filling(self) -> bool:
        """Whether there is room for frames that are not here yet."""
        return self._decoded is not None and self._decoded.is_open and not self._decoded.is_complete

    def decode_once(self) -> None:
        if self._decoded is None:
            self._decoded = DecodedFrames(len(self), self.dtype.itemsize * math.prod(self.shape))

    def close(self) -> None:
        if self._decoded is not None:
            self._decoded.close()

    @abstractmethod
    def _decode(self, index: int, target: Frame) -> None:
        """Decode frame `index` into `target`, which has the right shape and dtype but any strides."""

    def _fill(self, index: int, target: Frame) -> None:
        self._fill_by(self._decode, index, target)

    def _fill_by(self, decode: Callable[[int, Frame], None], index: int, target: Frame) -> None:
        """Write frame `index` into `target`, by `decode` where it has not been decoded yet."""
        known = self._decoded
        if known is not None and known.take(index, target):
            return
        try:
            decode(index, target)
        except CaptureError:
            if known is not None:
                known.refuse(index)
            raise
        if known is not None:
            known.put(index, target)
