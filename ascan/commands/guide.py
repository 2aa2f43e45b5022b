"""``ascan guide``: the pages that come with the package, without a network."""

from __future__ import annotations

import argparse
import importlib.resources
from collections.abc import Iterator
from importlib.resources.abc import Traversable

from ascan.base.errors import did_you_mean, fault
from ascan.commands.shared import add_quiet

EXAMPLE = "ascan guide first-hour"
# In the order in which a newcomer meets them.
KINDS = {
    "tutorials": "to begin with",
    "how-to": "to get something done",
    "reference": "to look up",
    "explanation": "to understand",
    ".": "what changed",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("topic", nargs="?", help="a page; without it, all pages are listed")
    add_quiet(parser)


def run(args: argparse.Namespace) -> None:
    """List the pages, or print one."""
    pages = dict(pages_of())
    if args.topic is None:
        print("\n".join(_listed()))
        return
    if args.topic not in pages:
        names = list(pages)
        raise fault(
            "guide",
            f"has no page '{args.topic}'",
            allowed=", ".join(names),
            remedy=did_you_mean(args.topic, names),
        )
    print(pages[args.topic].read_text(encoding="utf-8").rstrip())


def pages_of() -> Iterator[tuple[str, Traversable]]:
    """Yield name and file of each page, kind after kind."""
    root = importlib.resources.files("ascan") / "guide"
    for kind in KINDS:
        yield from _pages_in(root / kind)


def _pages_in(folder: Traversable) -> Iterator[tuple[str, Traversable]]:
    for page in sorted(folder.iterdir(), key=lambda one: one.name):
        if page.name.endswith(".md"):
            yield page.name.removesuffix(".md"), page


def _listed() -> Iterator[str]:
    root = importlib.resources.files("ascan") / "guide"
    for kind, told in KINDS.items():
        yield f"{told}:"
        for name, page in _pages_in(root / kind):
            title = page.read_text(encoding="utf-8").partition("\n")[0].removeprefix("# ")
            yield f"  {name:<20}{title}"
