"""The tables of the guide, from the code that enforces them.

    python benches/readme.py          writes them between their marks
    python benches/readme.py --check  exit status 1 where one differs

A mark is a comment, `<!-- table: NAME -->`, and the table ends before the next blank line.
"""

from __future__ import annotations

import dataclasses
import inspect
import itertools
import operator
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import ascan
from ascan.base.flags import MEANINGS, at_stake, severity
from ascan.base.stored import stored_fields
from ascan.calibration.fit import Fit
from ascan.checks import table as checks
from ascan.commands import cli
from ascan.engine.readers.dual import RECORD_RESIDUAL
from ascan.engine.taught import AMPLITUDE_RANGE, ARRIVAL_RATIO
from ascan.procedure import written
from ascan.results.readings import GATE_COLUMNS, RESULT_COLUMNS, Reading
from ascan.results.sources import SOURCES
from ascan.steps.means import Steps
from ascan.steps.models import ApertureModel, FirstArrivals, LayeredModel
from ascan.steps.table import StepTable
from ascan.store.schema import VERSION
from ascan.timing.gating import Gate
from ascan.waveform.template import Template

GUIDE = Path(__file__).resolve().parents[1] / "ascan" / "guide"
MARK = re.compile(r"<!-- table: ([a-z -]+) -->\n(.*?)(?=\n\n|\Z)", re.DOTALL)
# Items of a calibration's file: group, and what holds its fields.
PARTS = (
    ("/fit", Fit),
    ("/steps", Steps),
    ("/table", StepTable),
    ("/arrivals", FirstArrivals),
    ("/record_model (layered)", LayeredModel),
    ("/record_model (aperture)", ApertureModel),
    ("/templates/GATE", Template),
)


def documented(kind: Any) -> dict[str, str]:
    """Return what a class's docstring says of each attribute, by name."""
    text = inspect.cleandoc(kind.__doc__ or "").partition("Attributes\n----------\n")[2]
    found: dict[str, str] = {}
    for names, body in re.findall(
        r"^(\w[^:\n]*) : [^\n]*\n((?:    [^\n]*\n?|\n(?=    ))*)", text, re.M
    ):
        said = " ".join(body.split()).replace("``", "`").rstrip(".")
        found |= {name.strip(): said for name in names.split(",")}
    return found


def allowed(field: dataclasses.Field[Any]) -> str:
    """Return what a key takes, and its default."""
    rule = field.metadata
    said = ", ".join(f"`{choice}`" for choice in rule.get("choices", ()))
    if "left_out" in rule:
        default = f"`{rule['left_out']}`"
    elif field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
        default = "required"
    elif field.default in (None, ""):
        default = "none"
    else:
        default = f"`{field.default}`" if isinstance(field.default, str) else shown(field.default)
    return f"{said}; {default}" if said else default


def lowered(text: str) -> str:
    """Return a text with its first letter small, unless it begins a unit or a name."""
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text


def shown(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def rows(*cells: str) -> str:
    return "| " + " | ".join(each.replace("|", "\\|") for each in cells) + " |"


def procedure_keys() -> Iterator[str]:
    yield from ("| table | key | allowed; default | meaning |", "|---|---|---|---|")
    yield rows("", "`title`", "`untitled`", "free text")
    said = documented(written.Procedure)["component"]
    yield rows("", "`component`", "none", said)
    tables: list[tuple[str, Any]] = [(f"[{name}]", kind) for name, kind in written._TABLES.items()]
    tables.insert(3, ("[[gate]]", Gate))
    for place, kind in tables:
        if place == "[second_interval]":
            yield rows(f"`{place}`", "as `[interval]`", "none", "an independent second thickness")
            continue
        said = documented(kind)
        fields = [(said[field.name], field) for field in dataclasses.fields(kind) if field.init]
        for meaning, alike in itertools.groupby(fields, operator.itemgetter(0)):
            keys = [field for _, field in alike]
            takes = list(dict.fromkeys(map(allowed, keys)))
            named = ", ".join(f"`{key.name}`" for key in keys)
            yield rows(f"`{place}`", named, " / ".join(takes), lowered(meaning))
    for key in checks.keys().values():
        yield rows("`[checks]`", f"`{key.name}`", shown(key.default), f"{key.meaning} ({key.why})")


def columns() -> Iterator[str]:
    yield from ("| column | unit | meaning |", "|---|---|---|")
    core = {name: (unit, meaning) for name, (unit, meaning) in RESULT_COLUMNS.items()}
    more = checks.columns(of_gate=False).values()
    for name, (unit, meaning) in (core | {c.name: (c.unit, c.meaning) for c in more}).items():
        yield rows(f"`{name}`", unit, meaning)
    names = "; ".join(f"`{name}`: {meaning}" for name, meaning in SOURCES.items())
    yield rows(
        "`from_SOURCE_mm`",
        "mm",
        "what of u is shared with other readings: by how much this one is off where the source is "
        f"off by one standard uncertainty, signed. {names}",
    )
    of_gates = dict(GATE_COLUMNS)
    of_gates |= {c.name: (c.unit, c.meaning) for c in checks.columns(of_gate=True).values()}
    for name, (unit, meaning) in of_gates.items():
        yield rows(f"`GATE_{name}`", unit, meaning)


def flags() -> Iterator[str]:
    yield from ("| flag | severity | at stake | meaning |", "|---|---|---|---|")
    for flag, meaning in MEANINGS.items():
        yield rows(
            f"`{str(flag.name).lower()}`",
            severity(flag),
            at_stake(flag),
            meaning.partition(": ")[2] or meaning,
        )


def self_checks() -> Iterator[str]:
    """Each check with the flags that it sets, by the first line of its module."""
    yield from ("| check | says |", "|---|---|")
    for check in checks.CHECKS:
        module = inspect.getmodule(check.evidence)
        said = (inspect.getdoc(module) or "").partition("\n")[0].rstrip(".")
        yield rows(f"`{check.name}`", re.sub(r"\b[A-Z]{3,}(?:_[A-Z]+)*\b", flag_word, said))


def flag_word(match: re.Match[str]) -> str:
    word = match.group(0)
    return f"`{word.lower()}`" if word in {flag.name for flag in MEANINGS} else word


def formats() -> Iterator[str]:
    major, minor = VERSION
    yield from (f"| item of a calibration ({major}.{minor}) | unit | content |", "|---|---|---|")
    for place, kind in PARTS:
        for field in stored_fields(kind):
            meta = field.metadata
            yield rows(f"`{place}/{field.name}`", meta["unit"], meta["meaning"])
    values = [lesson.value for lesson in checks.lessons()]
    for value in [*values, AMPLITUDE_RANGE, ARRIVAL_RATIO, RECORD_RESIDUAL]:
        meaning = f"{value.meaning}; {value.kind.value}"
        yield rows(f"`/learned/{value.name}/GATE`", value.unit, meaning)


def commands() -> Iterator[str]:
    yield from ("| command | does |", "|---|---|")
    for name, summary in cli.COMMANDS.items():
        yield rows(f"`{name}`", summary)


def _first_sentence(what: Any) -> str:
    return " ".join((inspect.getdoc(what) or "").partition("\n\n")[0].split()).replace("``", "`")


def python_names() -> Iterator[str]:
    """Yield what `import ascan` offers."""
    yield "| name | what it is or does |"
    yield "|---|---|"
    for name in sorted(ascan.__all__, key=str.lower):
        what = getattr(ascan, name)
        call = "()" if inspect.isfunction(what) else ""
        yield f"| `{name}{call}` | {_first_sentence(what)} |"


def python_methods() -> Iterator[str]:
    """Yield what the values that a user holds can do and tell."""
    yield "| of | name | what it is or does |"
    yield "|---|---|---|"
    for kind in (ascan.Scan, ascan.Procedure, ascan.Calibration, ascan.Readings, Reading):
        for name, what in vars(kind).items():
            plain = what.__func__ if isinstance(what, classmethod | staticmethod) else what
            told = _first_sentence(plain)
            public = isinstance(plain, property) or inspect.isfunction(plain)
            if public and told and not name.startswith("_"):
                call = "" if isinstance(plain, property) else "()"
                yield f"| {kind.__name__} | `{name}{call}` | {told} |"


TABLES: dict[str, Callable[[], Iterator[str]]] = {
    "procedure keys": procedure_keys,
    "columns": columns,
    "flags": flags,
    "checks": self_checks,
    "formats": formats,
    "commands": commands,
    "python names": python_names,
    "python methods": python_methods,
}


def pages_of() -> list[Path]:
    """Return the pages of the guide."""
    return sorted(GUIDE.glob("**/*.md"))


def filled(text: str) -> str:
    """Return a page with every marked table as the code has it."""

    def table(match: re.Match[str]) -> str:
        name = match.group(1)
        return f"<!-- table: {name} -->\n" + "\n".join(TABLES[name]())

    return MARK.sub(table, text)


def main() -> int:
    pages = {page: page.read_text(encoding="utf-8") for page in pages_of()}
    if "--check" in sys.argv[1:]:
        return int(any(filled(text) != text for text in pages.values()))
    for page, text in pages.items():
        page.write_text(filled(text), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
