"""The digest that says which input made an output: the published SHA-256, sensitive to content, names and length."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

import stacker.capture.fingerprint as module
from stacker.capture import CaptureError
from stacker.capture.fingerprint import fingerprint


def test_published_value(tmp_path: Path) -> None:
    """FIPS 180-4's example: SHA-256 of the three bytes "abc" (NIST, example values, from memory)."""
    (tmp_path / "a.avi").write_bytes(b"abc")
    assert fingerprint(tmp_path / "a.avi") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_file_above_a_block_is_digested_whole(tmp_path: Path) -> None:
    data = os.urandom(3_000_001)
    (tmp_path / "a.avi").write_bytes(data)
    assert fingerprint(tmp_path / "a.avi") == hashlib.sha256(data).hexdigest()


def test_the_name_of_a_file_does_not_matter_that_of_a_picture_in_a_folder_does(tmp_path: Path) -> None:
    for name in ("a.avi", "b.avi"):
        (tmp_path / name).write_bytes(b"same")
    assert fingerprint(tmp_path / "a.avi") == fingerprint(tmp_path / "b.avi")
    digests = set()
    for names in (("f1.png", "f2.png"), ("f1.png", "f3.png"), ("f2.png", "f1.png")):
        folder = tmp_path / "-".join(names)
        folder.mkdir()
        for name, data in zip(names, (b"one", b"two"), strict=True):
            (folder / name).write_bytes(data)
        digests.add(fingerprint(folder))
    assert len(digests) == 3


def test_the_order_in_which_pictures_were_written_does_not_matter(tmp_path: Path) -> None:
    digests = set()
    for number, names in enumerate((("f1.png", "f2.png"), ("f2.png", "f1.png"))):
        folder = tmp_path / str(number)
        folder.mkdir()
        for name in names:
            (folder / name).write_bytes(name.encode())
        digests.add(fingerprint(folder))
    assert len(digests) == 1


def test_large_files_are_told_apart_by_their_samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the limits lowered: a changed end, another length and changed blocks give other digests."""
    monkeypatch.setattr(module, "WHOLE_BYTES", 10_000)
    monkeypatch.setattr(module, "SAMPLE_BYTES", 64)
    data = os.urandom(200_000)
    path, seen = tmp_path / "a.avi", set()
    noisy = bytes(byte ^ 1 for byte in data)
    for variant in (data, data[:-1] + bytes([data[-1] ^ 1]), data[:-1], bytes([data[0] ^ 1]) + data[1:], noisy):
        path.write_bytes(variant)
        seen.add(fingerprint(path))
    assert len(seen) == 5
    path.write_bytes(data)
    assert fingerprint(path) in seen


def test_what_cannot_be_read_is_told_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"nowhere\.avi: cannot be read \(.+\); check"):
        fingerprint(tmp_path / "nowhere.avi")
