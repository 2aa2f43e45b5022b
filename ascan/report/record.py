"""A job on one page: all that is needed to repeat and to audit it, in one file that prints well."""

from __future__ import annotations

import base64
import html
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ascan.base.flags import MEANINGS, severity
from ascan.calibration.record import Calibration
from ascan.report.cautions import CAUTION
from ascan.report.sheet import STYLE, row_of, sheet_parts
from ascan.results.readings import Readings

PAGE_STYLE = (
    STYLE + "body{max-width:58em}img{max-width:100%}figure{margin:.6em 0;break-inside:avoid}"
    "figcaption{color:#444}pre{white-space:pre-wrap;font-size:.85em}"
    ".caution{border:2px solid #222;padding:.5em .8em}dl{display:grid;"
    "grid-template-columns:max-content 1fr;gap:.1em 1.2em;margin:.3em 0}dd{margin:0}"
    "section{break-inside:auto}h2{break-after:avoid;border-top:1px solid #999;padding-top:.5em}"
    "@page{margin:16mm}"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture and what it shows."""

    png: bytes
    caption: str


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Record:
    """What a job's page holds.

    Attributes
    ----------
    title : str
    about : mapping of str to str
        What an auditor asks: equipment, procedure number and revision, personnel level ...
    readings : Readings
    calibration : Calibration
    checks : sequence of str
        A line for each check reading of the series.
    surface, spots : sequence of str
        Lines; empty where there is no surface, or no named point.
    verdicts : sequence of str
        Against the procedure's minimum.
    pictures, spot_pictures : sequence of Picture
        Of the surface, and of the points.
    indications : sequence of Picture
        Thinnest places, each with its waveform.
    rejected : sequence of str
        A line for each reading that was refused, or the first of them.
    budget : sequence of str
    taken : sequence of str
        What is allowed for that the procedure does not state, each with its figure and source.
    pits : sequence of str
        What pits were found in signals of this procedure's kind.
    """

    title: str
    about: Mapping[str, str]
    readings: Readings
    calibration: Calibration
    checks: Sequence[str] = ()
    surface: Sequence[str] = ()
    spots: Sequence[str] = ()
    verdicts: Sequence[str] = ()
    pictures: Sequence[Picture] = field(default_factory=tuple)
    spot_pictures: Sequence[Picture] = field(default_factory=tuple)
    indications: Sequence[Picture] = field(default_factory=tuple)
    rejected: Sequence[str] = ()
    budget: Sequence[str] = ()
    taken: Sequence[str] = ()
    pits: Sequence[str] = ()


NO_PITS = "<p>not simulated (ascan smallest-pit): smaller pits than the beam may lie unseen</p>"


def png_of(figure: Any) -> bytes:
    """Return a matplotlib figure as PNG."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=110)
    return buffer.getvalue()


def record_page(record: Record) -> str:
    """Return the page as HTML that needs nothing else."""
    provenance = dict(record.readings.provenance)
    summary = record.readings.summary()
    parts = [
        f'<h1>{_safe(record.title)}</h1><p class="caution">{_safe(CAUTION)}</p>',
        _section("The smallest pit that this procedure would see", _lines(record.pits) or NO_PITS),
        _section("What was measured", _definitions(record.about)),
        _section("Outcome", _lines(summary.lines()) + _lines(record.verdicts)),
        _section("Points", _pre(record.spots) + _figures(record.spot_pictures)),
        _section("Surface", _lines(record.surface) + _figures(record.pictures)),
        _section("Thinnest places, with their waveforms", _figures(record.indications)),
        _section("Rejected readings", _pre(record.rejected)),
        _section("Calibration", "".join(sheet_parts(record.calibration))),
        _section("Checks of the series", _pre(record.checks) or "<p>none on record</p>"),
        _section("Uncertainty of the thinnest reading", _pre(record.budget)),
        _section("Allowed for without being measured", _lines(record.taken)),
        _section("Flags that were set", _flags(record.readings)),
        _section("Procedure as it was used", _pre([str(provenance.get("procedure", ""))])),
        _section("To repeat it", _definitions(_repeat(record, provenance))),
    ]
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{_safe(record.title)}</title>'
        f"<style>{PAGE_STYLE}</style>{''.join(parts)}</html>\n"
    )


def _repeat(record: Record, provenance: Mapping[str, Any]) -> dict[str, str]:
    """Return versions and digests: what makes the same numbers come out again."""
    given = provenance.get("input", {})
    software = provenance.get("software", {})
    return {
        "readings made": str(provenance.get("made", "not known")),
        "software": ", ".join(f"{name} {version}" for name, version in software.items()),
        "waveforms": f"{given.get('name', '?')}: {given.get('rows', '?')} of "
        f"{given.get('samples', '?')} samples",
        "SHA-256 of the waveforms": str(given.get("waveforms_sha256", "not known")),
        "SHA-256 of the readings": str(provenance.get("columns_sha256", "not known")),
        "digest of the calibration": record.calibration.digest,
        "recording": json.dumps(given.get("recording", {}), sort_keys=True),
        "timing": json.dumps(provenance.get("signature", {}), sort_keys=True),
        "check_statuses": json.dumps(provenance.get("check_statuses", [])),
    }


def _flags(readings: Readings) -> str:
    counts = readings.summary().flags
    rows = [
        row_of("td", [str(flag.name).lower(), severity(flag), str(count), meaning])
        for flag, meaning in MEANINGS.items()
        if (count := counts.get(str(flag.name).lower(), 0))
    ]
    if not rows:
        return "<p>none</p>"
    return (
        f"<table>{row_of('th', ['flag', 'severity', 'readings', 'meaning'])}{''.join(rows)}</table>"
    )


def _section(heading: str, content: str) -> str:
    """Return a section; one without content is left out."""
    return f"<section><h2>{_safe(heading)}</h2>{content}</section>" if content else ""


def _definitions(pairs: Mapping[str, str]) -> str:
    told = "".join(f"<dt>{_safe(k)}</dt><dd>{_safe(v)}</dd>" for k, v in pairs.items())
    return f"<dl>{told}</dl>" if told else ""


def _lines(lines: Iterable[str]) -> str:
    return "".join(f"<p>{_safe(line.strip())}</p>" for line in lines)


def _pre(lines: Sequence[str]) -> str:
    return f"<pre>{_safe(chr(10).join(lines))}</pre>" if lines else ""


def _figures(pictures: Iterable[Picture]) -> str:
    return "".join(
        f'<figure><img alt="{_safe(one.caption)}" src="data:image/png;base64,'
        f'{base64.b64encode(one.png).decode("ascii")}"><figcaption>{_safe(one.caption)}'
        "</figcaption></figure>"
        for one in pictures
    )


def _safe(text: str) -> str:
    return html.escape(str(text))
