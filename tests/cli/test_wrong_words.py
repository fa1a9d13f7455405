"""Words that do not exist: one line, the nearest that does, and where the help of that very command is."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("proces", "a.avi"), ("'proces'; did you mean process?", "'stillair --help'")),
        (("xyzzy",), ("no command 'xyzzy';", "'stillair --help'")),
        (("--versoin",), ("--versoin; did you mean --version?", "'stillair --help'")),
        (("process", "--kep", "20"), ("--kep; did you mean --keep?", "'stillair process --help'")),
        (("process", "a.avi", "--ou=runs"), ("--ou; did you mean --out?", "'stillair process --help'")),
        (("process", "a.avi", "--zzz", "--out", "runs"), ("no option --zzz;", "'stillair process --help'")),
        (("simulate", "a.avi", "--scene", "bandd"), ("no 'bandd'; give one of banded, ringed",)),
        (("sky", "moon", "mars"), ("unexpected mars", "'stillair sky --help'")),
        (("process", "a.avi"), ("required: --out", "'stillair process --help'")),
        ((), ("required: COMMAND", "'stillair --help'")),
    ],
)
def test_a_wrong_word_is_told_with_the_nearest(
    words: tuple[str, ...], told: tuple[str, ...], stillair: Callable[..., Any]
) -> None:
    outcome = stillair(*words)
    assert outcome.status == 2 and outcome.out == "" and outcome.err.count("\n") == 1
    assert all(part in outcome.err for part in told), outcome.err


def test_a_capture_without_a_command_is_told_which(tmp_path: Path, stillair: Callable[..., Any]) -> None:
    (tmp_path / "saturn.avi").touch()
    outcome = stillair(tmp_path / "saturn.avi", "--out", "runs")
    assert outcome.status == 2 and "name a command first" in outcome.err and "process" in outcome.err


def test_values_that_look_like_options_stay_values(stillair: Callable[..., Any]) -> None:
    """A site in the south begins with a minus sign; what follows a lone -- is no option."""
    assert stillair("sky", "moon", "--site", "-33.9,18.4,50", "--when", "2031-04-05").status == 0
    assert "--zzz.avi: no such file" in stillair("process", "--out", "x", "--logbook", "none", "--", "--zzz.avi").err
