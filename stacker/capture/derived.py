"""A capture that is made of another one, frame by frame."""

from __future__ import annotations

from stacker.capture.sequence import Capture


class DerivedCapture(Capture):
    """Tells what the capture `raw` behind it tells; frames, and what differs, are for those who make one of it."""

    def __init__(self, raw: Capture) -> None:
        self.raw = raw
        self.path, self.shape, self.dtype, self.mosaic = raw.path, raw.shape, raw.dtype, raw.mosaic
        self.bits, self.full_scale = raw.bits, raw.full_scale
        self.frames_lost, self.times_utc = raw.frames_lost, raw.times_utc
        self.circumstances, self.provenance, self.notes = raw.circumstances, raw.provenance, raw.notes

    @property
    def is_sequential(self) -> bool:
        return self.raw.is_sequential

    @property
    def has_random_access(self) -> bool:
        return self.raw.has_random_access

    def decode_once(self) -> None:
        self.raw.decode_once()

    def __len__(self) -> int:
        return len(self.raw)

    def close(self) -> None:
        self.raw.close()
