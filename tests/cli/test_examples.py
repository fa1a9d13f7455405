"""Every call that the help or the README shows is one that the program takes."""

import argparse
import re
import shlex
import tomllib
from pathlib import Path

import pytest

from stacker.cli import build_parser
from stacker.sky.plan_file import plan_from_tables

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def _epilogs() -> str:
    parsers = [build_parser()]
    for action in parsers[0]._actions:
        if isinstance(action, argparse._SubParsersAction):
            parsers += action.choices.values()
    return "\n".join(parser.epilog or "" for parser in parsers)


def _calls(text: str) -> list[str]:
    """Return calls without what is said beside them: after two spaces, or behind a pipe."""
    lines = re.findall(r"^(?: {2,}|.*?/bin/)?stillair ((?!COMMAND).*)$", text, flags=re.MULTILINE)
    return sorted({re.split(r"\s{2,}| > | #", line.strip())[0] for line in lines})


@pytest.mark.parametrize("words", [*_calls(_epilogs()), *_calls(README)])
def test_the_call_is_taken(words: str) -> None:
    arguments = build_parser().parse_args(shlex.split(words))
    assert callable(arguments.run)


def test_the_plan_file_of_the_help_and_of_the_readme_are_read() -> None:
    block = next(part for part in re.findall(r"```toml\n(.*?)```", README, flags=re.DOTALL) if "[[telescope]]" in part)
    in_help = re.search(r"garden\.toml:\n(.*?)\n\n", _epilogs(), flags=re.DOTALL)
    assert in_help is not None
    for text in (block, in_help[1]):
        assert plan_from_tables(tomllib.loads(text), Path()).telescopes[0].name == "ten inch"


def test_scripts_that_are_named_exist() -> None:
    root = Path(__file__).parents[2]
    named = re.findall(r"scripts/\w+(?:\.\w+)?", README + (root / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert named and all((root / path).is_file() for path in named)
