"""Arguments whose mistakes are told in one line, with the nearest word that exists."""

from __future__ import annotations

import argparse
import difflib
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, NoReturn

from stacker.cli.failing import WRONG_CALL


class OneLineParser(argparse.ArgumentParser):
    """A parser whose complaints are one line that names the command and the nearest known word."""

    _words: Sequence[str] = ()

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> tuple[Any, list[str]]:
        """Parse as argparse does, but let the command's own parser complain of what it does not know."""
        self._words = list(sys.argv[1:] if args is None else args)
        known, unknown = super().parse_known_args(args, namespace)
        if unknown:
            self.error(f"unexpected {' '.join(unknown)}")
        return known, unknown

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where help is; exit with status 2."""
        told = self._unknown_option() or message
        stop = "" if told.endswith("?") else ";"
        print(f"{self.prog}: {told}{stop} '{self.prog} --help' lists what there is", file=sys.stderr)
        raise SystemExit(WRONG_CALL)

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.choices is None or value in action.choices:
            return
        if action.dest != "command":
            raise argparse.ArgumentError(action, f"there is no {value!r}; give one of {', '.join(action.choices)}")
        if Path(value).exists():
            self.error(f"name a command first, such as '{self.prog} process {value} --out runs'")
        self.error(f"there is no command {value!r}{_nearest(value, action.choices)}")

    def _unknown_option(self) -> str:
        """Return what to say of the first option that does not exist; a wrong option hides what else is missing."""
        for word in self._words:
            if word == "--" or (self._subparsers is not None and not word.startswith("-")):
                break
            name = word.split("=", 1)[0]
            if name.startswith("--") and name not in self._option_string_actions:
                return f"there is no option {name}{_nearest(name, self._option_string_actions)}"
        return ""


def _nearest(word: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, list(known), 1)
    return f"; did you mean {near[0]}?" if near else ""
