"""Completion scripts, tried in the shells themselves where these are installed."""

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stacker.cli import build_parser
from stacker.cli.completion import commands


def _bash(script: str, words: list[str]) -> list[str]:
    quoted = " ".join(f"'{word}'" for word in words)
    ask = f'COMP_WORDS=({quoted}); COMP_CWORD={len(words) - 1}; _stillair; printf "%s\\n" "${{COMPREPLY[@]}}"'
    done = subprocess.run(["bash", "-c", f"{script}\n{ask}"], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return done.stdout.split()


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs bash")
@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["stillair", "pro"], ["process"]),
        (["stillair", "process", "a.avi", "--foc"], ["--focal-length-mm"]),
        (["stillair", "process", "--target", ""], ["auto", "disc", "surface"]),
        (["stillair", "process", "--out", ""], []),
        (["stillair", "process", ""], []),
        (["stillair", "completion", ""], ["bash", "zsh", "fish"]),
        (["stillair", "nonsense", ""], []),
    ],
)
def test_bash_completes(stillair: Callable[..., Any], words: list[str], expected: list[str]) -> None:
    assert _bash(stillair("completion", "bash").out, words) == expected


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_every_option_of_every_command_is_known(stillair: Callable[..., Any], shell: str, tmp_path: Path) -> None:
    script = stillair("completion", shell).out
    for command in commands(build_parser()):
        assert command.name in script
        for option in command.options:
            flag = option.flags[-1]
            assert (f"-l {flag[2:]}" if shell == "fish" else flag) in script
    if shutil.which(shell):
        file = tmp_path / "script"
        file.write_text(script, encoding="utf-8")
        subprocess.run([shell, "-n", str(file)], check=True)
