"""`stillair completion`: a script that teaches the shell the commands and options, made from the parser itself."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass

_EXAMPLES = """examples:
  stillair completion bash > ~/.local/share/bash-completion/completions/stillair
  stillair completion zsh > ~/.zfunc/_stillair             with ~/.zfunc in fpath before compinit
  stillair completion fish > ~/.config/fish/completions/stillair.fish
"""


@dataclass(frozen=True)
class Option:
    """One option as a shell needs it."""

    flags: tuple[str, ...]
    words: str
    choices: tuple[str, ...]
    takes_value: bool


@dataclass(frozen=True)
class Command:
    """One command with its options; `choices` are those of a positional argument, empty where that is a file."""

    name: str
    words: str
    options: tuple[Option, ...]
    choices: tuple[str, ...]


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "completion",
        help="print a completion script for a shell",
        description="Print a script that completes the commands, options and their values in a shell.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("shell", choices=tuple(_SCRIPTS), help="%(choices)s")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the script of one shell."""
    from stacker.cli import build_parser

    print(_SCRIPTS[arguments.shell](list(commands(build_parser()))), end="")
    return 0


def commands(parser: argparse.ArgumentParser) -> Iterator[Command]:
    """Yield every command of a parser."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            words = {entry.dest: entry.help or "" for entry in action._choices_actions}
            for name, sub in action.choices.items():
                yield _command(name, words[name], sub)


def _command(name: str, words: str, parser: argparse.ArgumentParser) -> Command:
    options = tuple(_option(action) for action in parser._actions if action.option_strings)
    positional = [action for action in parser._actions if not action.option_strings]
    choices = tuple(str(choice) for action in positional for choice in action.choices or ())
    return Command(name, words, options, choices)


def _option(action: argparse.Action) -> Option:
    # A placeholder such as quick|full lists the words that are taken.
    placeholder = action.metavar if isinstance(action.metavar, str) and "|" in action.metavar else ""
    choices = action.choices or [word for word in placeholder.split("|") if word.islower()]
    words = (action.help or "").replace("%(default)s", str(action.default)).replace("%(choices)s", "")
    return Option(tuple(action.option_strings), words, tuple(map(str, choices)), action.nargs != 0)


def bash(known: list[Command]) -> str:
    """Return the script for bash; files are completed where no words fit."""
    cases = [line for command in known for line in _bash_cases(command)]
    names = " ".join(command.name for command in known)
    return f"""\
_stillair() {{
    local now=${{COMP_WORDS[COMP_CWORD]}} before=${{COMP_WORDS[COMP_CWORD-1]}} words= flags=
    COMPREPLY=()
    if [ "$COMP_CWORD" -eq 1 ]; then
        COMPREPLY=($(compgen -W "{names} --help --version" -- "$now"))
        return
    fi
    case "${{COMP_WORDS[1]}}:$before" in
{chr(10).join(cases)}
        *) return ;;
    esac
    if [ "${{now:0:1}}" = - ]; then words=$flags; fi
    COMPREPLY=($(compgen -W "$words" -- "$now"))
}}
complete -o bashdefault -o default -F _stillair stillair
"""


def _bash_cases(command: Command) -> Iterator[str]:
    """Yield what may follow an option of a known vocabulary, an option with any value, and any other word."""
    anything = []
    for option in command.options:
        pattern = "|".join(f"{command.name}:{flag}" for flag in option.flags)
        if option.choices:
            yield f'        {pattern}) words="{" ".join(option.choices)}" ;;'
        elif option.takes_value:
            anything.append(pattern)
    if anything:
        yield f"        {'|'.join(anything)}) return ;;"
    flags = " ".join(flag for option in command.options for flag in option.flags)
    yield f'        {command.name}:*) words="{" ".join(command.choices)}" flags="{flags}" ;;'


def zsh(known: list[Command]) -> str:
    """Return the script for zsh."""
    names = "\n".join(f"        '{command.name}:{_plain(command.words)}'" for command in known)
    cases = []
    for command in known:
        lines = [f"            {_zsh_option(flag, option)}" for option in command.options for flag in option.flags]
        rest = f"'*:word:({' '.join(command.choices)})'" if command.choices else "'*:file:_files'"
        cases.append(" \\\n".join([f"        {command.name}) _arguments", *lines, f"            {rest} ;;"]))
    return f"""\
#compdef stillair
_stillair() {{
    local -a commands=(
{names}
    )
    if (( CURRENT == 2 )); then
        _describe 'command' commands
        return
    fi
    local command=$words[2]
    shift words
    (( CURRENT-- ))
    case $command in
{chr(10).join(cases)}
    esac
}}
if [ "$funcstack[1]" = _stillair ]; then _stillair "$@"; else compdef _stillair stillair; fi
"""


def _zsh_option(flag: str, option: Option) -> str:
    value = f":value:({' '.join(option.choices)})" if option.choices else ":value:_files" if option.takes_value else ""
    return f"'{flag}[{_plain(option.words)}]{value}'"


def fish(known: list[Command]) -> str:
    """Return the script for fish."""
    lines = []
    for command in known:
        lines.append(f"complete -c stillair -n __fish_use_subcommand -f -a {command.name} -d '{_plain(command.words)}'")
        here = f"complete -c stillair -n '__fish_seen_subcommand_from {command.name}'"
        if command.choices:
            lines.append(f"{here} -f -a '{' '.join(command.choices)}'")
        for option in command.options:
            flags = " ".join(f"-l {flag[2:]}" if flag.startswith("--") else f"-s {flag[1:]}" for flag in option.flags)
            value = f" -x -a '{' '.join(option.choices)}'" if option.choices else " -r" if option.takes_value else ""
            lines.append(f"{here} {flags}{value} -d '{_plain(option.words)}'")
    return "\n".join([*lines, "complete -c stillair -n __fish_use_subcommand -l version -d 'print the version'"]) + "\n"


def _plain(words: str) -> str:
    """Return help without the signs that a quoted word of a shell script gives a meaning."""
    return "".join(letter for letter in words.replace("%%", "%") if letter not in "'\"[]:\\`$")


_SCRIPTS: dict[str, Callable[[list[Command]], str]] = {"bash": bash, "zsh": zsh, "fish": fish}
