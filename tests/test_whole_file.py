"""A file appears whole or not at all."""

from pathlib import Path

import pytest

from stacker.whole_file import written_whole


def test_a_file_takes_its_place_at_the_end(tmp_path: Path) -> None:
    path = tmp_path / "page"
    path.write_text("before")
    with written_whole(path) as temporary:
        temporary.write_text("after")
        assert path.read_text() == "before"
    assert path.read_text() == "after" and list(tmp_path.iterdir()) == [path]


def test_what_fails_leaves_everything_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "page"
    path.write_text("before")

    def fill_up() -> None:
        with written_whole(path) as temporary:
            temporary.write_text("half")
            raise OSError(28, "full")

    with pytest.raises(OSError, match="full"):
        fill_up()
    assert path.read_text() == "before" and list(tmp_path.iterdir()) == [path]
