"""The packets of a video: how many frames it really holds, and where decoding can begin."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.positioned import unreadable
from stacker.capture.sequence import CaptureError

_LOCAL_ONLY = {"protocol_whitelist": "file"}
_DRAWN_TEXT = ("ansi", "bintext", "xbin", "idf")
"""Codecs that draw characters; text is no capture."""
_DECODER_THREADS = min(4, os.cpu_count() or 1)


@dataclass(frozen=True)
class PacketTable:
    """What demuxing the whole stream told; frames are numbered in order of showing."""

    width: int
    height: int
    count: int
    lost: int
    intra_only: bool
    """Every frame can be decoded without the others, and comes out of the decoder at once."""
    keyframes: list[int]
    """Frames from which decoding can begin, rising."""
    times: list[int] | None
    """Time stamp of each frame in time-base units; None where the container has none."""
    offsets_s: NDArray[np.float64] | None
    """Seconds of each frame after the first."""

    def __len__(self) -> int:
        return self.count


def open_container(path: Path) -> tuple[Any, Any]:
    """Open `path` and return its container and first video stream; local files only, never a network address.

    Raises CaptureError where FFmpeg knows no video in it.
    """
    import av

    try:
        container = av.open(f"file:{path}", options=_LOCAL_ONLY)
    except (FileNotFoundError, PermissionError) as error:
        raise unreadable(path, error) from error
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise _no_video(path) from error
    streams = container.streams.video
    if not streams or streams[0].codec_context is None or streams[0].codec_context.name in _DRAWN_TEXT:
        container.close()
        raise _no_video(path)
    stream = streams[0]
    stream.codec_context.thread_count = _DECODER_THREADS
    return container, stream


def _no_video(path: Path) -> CaptureError:
    return CaptureError(path, "holds no video that can be read", "check that the recording is whole and is a video")


def packets(container: Any, stream: Any) -> Iterator[Any]:
    """Yield the whole packets that hold data; a container that breaks off just ends."""
    import av

    try:
        for packet in container.demux(stream):
            if packet.size and not packet.is_corrupt:
                yield packet
    except (av.error.FFmpegError, EOFError):
        return


def survey_packets(path: Path) -> PacketTable:
    """Demux every packet of the video, which is exact where headers are missing or wrong."""
    container, stream = open_container(path)
    try:
        shown: list[tuple[int | None, bool]] = []
        unseen = 0
        for packet in packets(container, stream):
            if packet.is_discard:
                unseen += 1
            else:
                shown.append((packet.pts, packet.is_keyframe))
        return _tabulate(stream, container, shown, unseen)
    finally:
        container.close()


def _tabulate(stream: Any, container: Any, shown: list[tuple[int | None, bool]], unseen: int) -> PacketTable:
    count = len(shown)
    stamps = [stamp for stamp, _ in shown if stamp is not None]
    # AVI has no time stamps of its own: FFmpeg numbers packets as they are stored, not as they are shown.
    told = container.format.name != "avi" and len(set(stamps)) == count
    times = sorted(stamps) if told else None
    rank = {stamp: number for number, stamp in enumerate(times or ())}
    places = [rank.get(stamp, number) if stamp is not None else number for number, (stamp, _) in enumerate(shown)]
    keyframes = sorted(place for place, (_, key) in zip(places, shown, strict=True) if key)
    rate = float(stream.average_rate) if stream.average_rate else None
    offsets_s = _offsets_s(times, float(stream.time_base or 0), rate, count)
    lost = stream.frames - unseen - count if stream.frames else _frames_after(container, offsets_s, rate)
    return PacketTable(
        width=stream.codec_context.width,
        height=stream.codec_context.height,
        count=count,
        lost=max(0, lost),
        intra_only=len(keyframes) == count and not stream.codec_context.codec.reorder,
        keyframes=keyframes or [0],
        times=times,
        offsets_s=offsets_s,
    )


def _frames_after(container: Any, offsets_s: NDArray[np.float64] | None, rate: float | None) -> int:
    """Return how many frames fit between the last one and the duration that a Matroska header states (RFC 9559).

    Other headers state none, and FFmpeg then guesses it from the bit rate, which proves nothing.
    """
    if "matroska" not in container.format.name or not container.duration or not rate or offsets_s is None:
        return 0
    end_s = offsets_s[-1] + 1 / rate if len(offsets_s) else 0.0
    return round((float(container.duration) / 1e6 - float(end_s)) * rate)


def _offsets_s(times: list[int] | None, tick_s: float, rate: float | None, count: int) -> NDArray[np.float64] | None:
    """Return seconds after the first frame: the even cadence where time stamps only round it, else the stamps."""
    even = np.arange(count) / rate if rate else None
    if not times or not tick_s:
        return even
    stamped = (np.array(times, np.float64) - times[0]) * tick_s
    return even if even is not None and (np.abs(stamped - even) <= tick_s).all() else stamped
