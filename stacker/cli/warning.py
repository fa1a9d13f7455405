"""Cautions on the terminal: in words always, white on red where colour is understood."""

from __future__ import annotations

import os
import shutil
import textwrap
from typing import TextIO

_WHITE_ON_RED, _PLAIN = "\x1b[1;97;41m", "\x1b[0m"


def warn(words: str, stream: TextIO) -> None:
    """Print a caution on lines of its own, as wide as the terminal.

    Colour goes to terminals; NO_COLOR in the environment keeps it off, FORCE_COLOR keeps it on.
    """
    coloured = bool(os.environ.get("FORCE_COLOR")) or (stream.isatty() and not os.environ.get("NO_COLOR"))
    width = max(40, min(shutil.get_terminal_size().columns, 110) - 3)
    for line in textwrap.wrap(words, width):
        print(f"{_WHITE_ON_RED} {line:<{width}} {_PLAIN}" if coloured else f"!! {line}", file=stream)
