"""``ascan completion``: what makes a shell complete these commands."""

from __future__ import annotations

import argparse
import importlib

from ascan.commands.shared import need_library

EXAMPLE = "ascan completion bash > ~/.local/share/bash-completion/completions/ascan"
SHELLS = ("bash", "zsh", "tcsh")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("shell", choices=SHELLS, help="which shell")


def run(args: argparse.Namespace) -> None:
    """Print the script; every command's options are read from the commands themselves."""
    need_library("shtab", "cli", "completion")
    import shtab

    parser = importlib.import_module("ascan.commands.cli").build_parser("", every=True)
    print(shtab.complete(parser, shell=args.shell))
