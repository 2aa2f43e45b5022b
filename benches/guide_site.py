"""The guide and the reference of the Python interface as a static site.

    python benches/guide_site.py FOLDER       needs: pip install 'ascan[site]'

Every warning is an error: a page that is in no list, a link that leads nowhere, a docstring that
cannot be read. The pages are those of `ascan/guide`; nothing is written beside FOLDER.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

import ascan
from ascan.commands.guide import KINDS

GUIDE = Path(ascan.__file__).parent / "guide"
CONF = """
import ascan

project, author, version = "ascan", "the makers of ascan", ascan.__version__
copyright = "the makers of ascan"
extensions = ["myst_parser", "numpydoc", "sphinx.ext.autodoc"]
html_theme = "furo"
html_title = f"ascan {ascan.__version__}"
myst_heading_anchors = 3
numpydoc_show_class_members = False
autodoc_member_order = "bysource"
autodoc_typehints = "none"
pygments_style = "bw"
"""


def listed(caption: str, pages: list[str]) -> str:
    """Return a list of pages under a caption."""
    return "\n".join([f"```{{toctree}}\n:caption: {caption}\n:maxdepth: 1\n", *pages, "```\n"])


def entry(name: str) -> str:
    """Return what the reference holds of a name."""
    what = getattr(ascan, name)
    if not isinstance(what, type):
        return f"```{{eval-rst}}\n.. autofunction:: ascan.{name}\n```\n"
    own = "   :members:\n" if name not in ("Flag",) else ""
    return f"```{{eval-rst}}\n.. autoclass:: ascan.{name}\n{own}```\n"


def source_of(folder: Path) -> None:
    """Write what the site is built from."""
    shutil.copytree(GUIDE, folder, dirs_exist_ok=True)
    (folder / "conf.py").write_text(CONF, "utf-8")
    names = sorted(ascan.__all__, key=str.lower)
    api = "\n".join(entry(name) for name in names)
    (folder / "reference" / "help.md").write_text(f"# Docstrings\n\n{api}", "utf-8")
    parts = ["# ascan\n\nWall thickness with its uncertainty, from raw ultrasonic waveforms.\n"]
    for kind, told in KINDS.items():
        pages = sorted(page for page in (folder / kind).glob("*.md") if page.stem != "index")
        parts.append(
            listed(told, [str(page.relative_to(folder).with_suffix("")) for page in pages])
        )
    (folder / "index.md").write_text("\n".join(parts), "utf-8")


def main() -> int:
    parser = argparse.ArgumentParser(description="build the static site")
    parser.add_argument("folder", help="where the site goes")
    asked = parser.parse_args()
    try:
        from sphinx.cmd.build import build_main
    except ImportError:
        print("needs sphinx: pip install 'ascan[site]'", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as work:
        source_of(Path(work))
        return int(build_main(["-W", "--keep-going", "-q", "-b", "html", work, asked.folder]))


if __name__ == "__main__":
    raise SystemExit(main())
