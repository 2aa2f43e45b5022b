"""``ascan completion``: what makes a shell complete these commands."""

from __future__ import annotations

import argparse
import importlib
from collections.abc import Iterator

from ascan.commands.shared import need_library

EXAMPLE = "ascan completion bash > ~/.local/share/bash-completion/completions/ascan"
SHELLS = ("bash", "fish", "zsh", "tcsh")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("shell", choices=SHELLS, help="which shell")


def run(args: argparse.Namespace) -> None:
    """Print the script; every command's options are read from the commands themselves."""
    parser = importlib.import_module("ascan.commands.cli").build_parser("", every=True)
    if args.shell == "fish":
        print("\n".join(fish_lines(parser)))
        return
    need_library("shtab", "cli", "completion")
    import shtab

    print(shtab.complete(parser, shell=args.shell))


def fish_lines(parser: argparse.ArgumentParser) -> Iterator[str]:
    """Yield what makes fish complete commands, their options, and the words an option takes."""
    (commands,) = (one for one in parser._actions if isinstance(one, argparse._SubParsersAction))
    told = {one.dest: one.help or "" for one in commands._choices_actions}
    for name, each in commands.choices.items():
        yield (
            f"complete -c ascan -n __fish_use_subcommand -f -a {name} "
            f"-d {_quoted(told.get(name, ''))}"
        )
        for action in each._actions:
            options = " ".join(
                f"-l {text[2:]}" if text.startswith("--") else f"-s {text[1:]}"
                for text in action.option_strings
            )
            if options:
                takes = " -r" if action.nargs != 0 else ""
                words = " ".join(map(str, action.choices)) if action.choices else ""
                takes += f" -f -a {_quoted(words)}" if words else ""
                yield (
                    f"complete -c ascan -n '__fish_seen_subcommand_from {name}' {options}{takes} "
                    f"-d {_quoted(action.help or '')}"
                )


def _quoted(text: str) -> str:
    """Return text as fish reads it, on one line."""
    return "'" + " ".join(text.split()).replace("\\", "\\\\").replace("'", "\\'") + "'"
