"""Whatever is wrong with one capture: one clear line, nothing half-written, the other captures of the call done."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from astropy.io import fits

from stacker.cli import main
from stacker.run_folder.place import RUN_FILES
from stacker.simulation.writing import write_capture

Frames = list[np.ndarray[Any, Any]]
SIZE = 96


def frames(count: int = 30, seed: int = 5) -> Frames:
    """A textured disc on a dark sky, moving a little, with photon-like noise."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[:SIZE, :SIZE].astype(np.float32)
    made = []
    for _ in range(count):
        y, x = rows - 47 - rng.normal(0, 1.0), columns - 49 - rng.normal(0, 1.0)
        disc = 1 / (1 + np.exp(np.hypot(y, x) - 30))
        scene = 10 + disc * (120 + 25 * np.sin(y / 2.5) + 15 * np.sin(x / 3 + y / 6))
        made.append(np.clip(scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8))
    return made


def avi(name: str, made: Frames) -> Callable[[Path], Path]:
    return lambda folder: write_capture(folder / name, made, kind="avi", bits=8)


def with_bytes(name: str, data: bytes) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        (folder / name).write_bytes(data)
        return folder / name

    return make


def cut(name: str, kind: str, share: float) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        path = write_capture(folder / name, frames(), kind=kind, bits=8)
        path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
        return path

    return make


def header_only(folder: Path) -> Path:
    path = write_capture(folder / "header_only.avi", frames(), kind="avi", bits=8)
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"movi") + 4])
    return path


def fits_without_image(folder: Path) -> Path:
    table = fits.BinTableHDU.from_columns([fits.Column("a", "J", array=np.arange(9))])
    table.writeto(folder / "table.fits")
    return folder / "table.fits"


def not_numbers(share: float) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        cube = np.stack(frames()).astype(np.float32)
        cube[: int(len(cube) * share)] = np.nan
        path = folder / f"nan_{share}.fits"
        fits.PrimaryHDU(cube).writeto(path)
        return path

    return make


def odd_picture(folder: Path) -> Path:
    path = write_capture(folder / "odd_picture", frames(), kind="png", bits=8)
    cv2.imwrite(str(path / "f00011.png"), np.zeros((40, 62), np.uint8))
    return path


def noise(folder: Path) -> Path:
    rng = np.random.default_rng(3)
    made = [np.clip(rng.normal(20, 3, (SIZE, SIZE)), 0, 255).astype(np.uint8) for _ in range(30)]
    return write_capture(folder / "no_target.avi", made, kind="avi", bits=8)


def still(value: int) -> Frames:
    return [np.full((SIZE, SIZE), value, np.uint8) for _ in range(12)]


@dataclass(frozen=True)
class Case:
    """One thing that goes wrong, how to make it, and what must come of it."""

    name: str
    make: Callable[[Path], Path]
    words: str
    """What the error, or the notes and reasons of a result, must say."""
    outcome: str = "error"
    """`error`, or `noted`: a result that tells what was met."""
    cause: Callable[[Path], Any] | None = None
    """Context in which the call is made, given the capture."""


@contextmanager
def _refused(capture: Path) -> Iterator[None]:
    """Take away the right to read; for the superuser, whom permissions do not stop, let the system call refuse."""
    capture.chmod(0)
    opening = os.open

    def refuse(path: Any, *more: Any, **named: Any) -> int:
        if Path(path) == capture:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return opening(path, *more, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "open", refuse)
        yield
    capture.chmod(0o600)


@contextmanager
def _full_disk(capture: Path) -> Iterator[None]:
    """Let the system refuse what the larger picture of the failing capture needs and the smaller one does not."""
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (3 * 4 * SIZE * SIZE + 40_000, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def large(folder: Path) -> Path:
    made = [np.kron(frame, np.ones((2, 2), np.uint8)) for frame in frames(20)]
    return write_capture(folder / "large.avi", made, kind="avi", bits=8)


CASES = (
    Case("empty file", with_bytes("empty.avi", b""), "is empty"),
    Case("text with a video's ending", with_bytes("text.avi", b"clear until midnight, then fog\n" * 20), "holds text"),
    Case("header only", header_only, "no whole frame"),
    Case("AVI cut in half", cut("half.avi", "avi", 0.5), "not whole in the file", "noted"),
    Case("FITS cube cut in half", cut("half_cube.fits", "fits", 0.5), "not whole in the file", "noted"),
    Case("compressed video cut in half", cut("half.mkv", "ffv1", 0.5), "not whole in the file", "noted"),
    Case("FITS without an image", fits_without_image, "no image"),
    Case("one odd-sized picture", odd_picture, "f00011.png: is 62x40 where the others are 96x96"),
    Case("permission denied", avi("secret.avi", frames(4)), "not permitted", cause=_refused),
    Case("full disk", large, "cannot be written", cause=_full_disk),
    Case("a target that never appears", noise, "no target"),
    Case("one frame", avi("one.avi", frames(1)), "too few frames", "noted"),
    Case("three frames", avi("three.avi", frames(3)), "too few frames", "noted"),
    Case("all black", avi("black.avi", still(0)), "blank"),
    Case("all white", avi("white.avi", still(255)), "blank"),
    Case("some frames NaN", not_numbers(0.3), "not finite", "noted"),
    Case("all NaN", not_numbers(1.0), "blank or unreadable"),
    Case("no such file", lambda folder: folder / "nowhere.avi", "no such file"),
)


def _told(printed: str) -> int:
    """Return of how many captures a result is told; what limited one stands indented below it."""
    return sum(not line.startswith(" ") for line in printed.splitlines())


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_one_line_nothing_half_written_and_the_others_done(
    case: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit status 1 and one line, the file first and advice last; or a whole run that notes what it met."""
    bad = case.make(tmp_path)
    good = write_capture(tmp_path / "good.avi", frames(10), kind="avi", bits=8)
    out = tmp_path / "runs"
    capsys.readouterr()
    with ExitStack() as stack:
        if case.cause:
            stack.enter_context(case.cause(bad))
        status = main(["process", str(bad), str(good), "--out", str(out), "--effort", "quick", "--workers", "1"])
    printed = capsys.readouterr()
    runs = sorted(entry.name for entry in out.iterdir())
    run = out / (bad.name if bad.is_dir() else bad.stem)
    assert _files(out / "good") == sorted(RUN_FILES)
    if case.outcome == "error":
        assert status == 1
        assert runs == ["good"]
        assert printed.err.startswith((f"{bad}", f"{run}"))
        assert printed.err.count("\n") == 1
        assert "; " in printed.err
        assert case.words in printed.err
        assert _told(printed.out) == 1
    else:
        assert (status, printed.err) == (0, "")
        assert runs == sorted(["good", run.name])
        assert _files(run) == sorted(RUN_FILES)
        metrics = json.loads((run / "metrics.json").read_text(encoding="utf-8"))
        reasons = (run / "frames.csv").read_text(encoding="utf-8")
        assert case.words in json.dumps(metrics["notes"]) + reasons
        assert metrics["frames_used"] <= metrics["frames_readable"] <= metrics["frames_total"]
        assert _told(printed.out) == 2


def _files(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())
