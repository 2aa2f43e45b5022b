"""``ascan draft``: from records of a step block to a commented procedure."""

from __future__ import annotations

import argparse
from typing import Any

from ascan.base.errors import fault
from ascan.commands.shared import (
    Bar,
    add_common,
    add_json,
    add_steps,
    answer,
    check_outputs,
    known_of,
    need_library,
    say,
)
from ascan.drafting.beside import changes
from ascan.drafting.drafting import Draft, draft_procedure
from ascan.drafting.trials import Trial
from ascan.drafting.wishes import DualProbe, Wishes
from ascan.engine.binding import bind
from ascan.path.probe import ARRANGEMENTS
from ascan.procedure.written import Procedure, load_procedure
from ascan.report.cautions import CAUTION
from ascan.report.drafted import draft_figure
from ascan.report.picture import save_picture
from ascan.store.replacing import whole_file
from ascan.store.scans import open_scan
from ascan.waveform.scan import Scan

EXAMPLE = (
    "ascan draft block.npz --step 5=0-4 --step 10=5-9 --step 20=10-14 --arrangement delay_line "
    "--element-diameter-mm 6 -o procedure.toml"
)
DIMENSIONS = "HEIGHT,VELOCITY,ROOF,WIDTH,LENGTH,GAP"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scan", help="RF waveforms of the step block")
    add_steps(parser)
    asked = parser.add_argument_group("what no record can tell")
    asked.add_argument(
        "--arrangement",
        choices=ARRANGEMENTS,
        default="",
        help="of the probe; without it, it is proposed, and nothing written",
    )
    asked.add_argument("--range", metavar="LEAST,GREATEST", help="walls wanted, mm")
    asked.add_argument("--coated", action="store_true", help="the component is painted outside")
    asked.add_argument("--corroded", action="store_true", help="its far side is corroded or rough")
    asked.add_argument(
        "--element-diameter-mm", type=float, metavar="MM", help="of a round single element"
    )
    asked.add_argument(
        "--dual-probe",
        metavar=DIMENSIONS,
        help="nominal: wedge height (mm), its velocity (mm/µs), roof (degrees), element width, "
        "length and gap (mm)",
    )
    asked.add_argument(
        "--component", metavar="SCAN", help="RF waveforms of what is to be measured: looked at, too"
    )
    parser.add_argument(
        "--beside",
        action="append",
        metavar="PROCEDURE",
        help="a procedure (TOML) to try beside the draft: what it reaches, what would change",
    )
    parser.add_argument(
        "--take",
        type=int,
        default=1,
        metavar="NUMBER",
        help="write another candidate than the first of the table",
    )
    parser.add_argument("-o", "--output", required=True, help="procedure (TOML) to write")
    parser.add_argument(
        "--picture", help="picture to write: the block's records, their tracks, the gates"
    )
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Draft, write, and say what was seen, tried, and not known."""
    args.quiet |= args.json
    inputs = [args.scan, args.component, *(args.beside or [])]
    check_outputs(args, inputs, [(args.output, "TOML"), (args.picture, "picture")])
    if args.picture:
        need_library("matplotlib", "cli", "--picture")
    scan = open_scan(args.scan)
    known_mm = known_of(scan, args)
    draft = draft_procedure(scan, known_mm, wishes_of(args), progress=Bar(args.quiet, "candidates"))
    if args.picture:
        figure = picture_of(scan, draft, args.take)
        save_picture(figure, args.picture, dpi=110, replace=args.replace)
    with whole_file(args.output, replace=args.replace) as part:
        part.write_text(draft.text_of(args.take), encoding="utf-8")
    say(args, draft.lines())
    named = draft.trials[args.take - 1].candidate.name
    say(args, [f"procedure {args.output}: {named}; read it, and state what only you know"])
    answer(args, data_of(args.output, draft), [CAUTION])


def wishes_of(args: argparse.Namespace) -> Wishes:
    """Return what the options ask for."""
    bounds = _numbers(args.range, "--range", 2, "LEAST,GREATEST")
    sizes = _numbers(args.dual_probe, "--dual-probe", 6, DIMENSIONS)
    return Wishes(
        arrangement=args.arrangement,
        range_mm=(bounds[0], bounds[1]) if bounds else None,
        coated=args.coated,
        corroded=args.corroded,
        element_diameter_mm=args.element_diameter_mm,
        dual=DualProbe(*sizes) if sizes else None,
        component=open_scan(args.component) if args.component else None,
        beside=tuple(load_procedure(path).text for path in args.beside or []),
    )


def picture_of(scan: Scan, draft: Draft, number: int = 1) -> Any:
    """Return a figure of the records that a draft looked at, their tracks and its gates."""
    records, tracks = draft.records, draft.tracks
    slowness = 2.0 / tracks.velocity_mm_per_us
    expected_us = {
        f"echo {n}": tracks.origin_us + n * slowness * records.known_mm for n in (1, 2, 3)
    }
    own = scan.choose(records.rows)
    pipeline = bind(Procedure.from_text(draft.text_of(number)), own.recording)
    return draft_figure(own, records.known_mm, expected_us, pipeline)


def _numbers(text: str | None, place: str, count: int, allowed: str) -> list[float]:
    if text is None:
        return []
    try:
        found = [float(part) for part in text.split(",")]
    except ValueError:
        found = []
    if len(found) != count:
        raise fault(place, f"is '{text}'", allowed=f"{allowed}, {count} numbers")
    return found


def data_of(path: str, draft: Draft) -> dict[str, object]:
    """Return the answer as JSON holds it."""
    return {
        "procedure": path,
        "arrangement": draft.tracks.arrangement,
        "velocity_mm_per_us": draft.tracks.velocity_mm_per_us,
        "frequency_mhz": draft.records.frequency_mhz,
        "candidates": [_data(trial) for trial in draft.trials],
        "beside": [
            _data(trial) | {"changes": changes(trial.candidate.text, draft.text)}
            for trial in draft.beside
        ],
        "to_note": list(draft.notes),
    }


def _data(trial: Trial) -> dict[str, object]:
    return {
        "name": trial.candidate.name,
        "out": trial.reason,
        "right": trial.right,
        "unmarked": trial.unmarked,
        "spread_mm": trial.spread_mm,
        "left_out_mm": trial.left_out_mm,
        "component": trial.read,
        "lost_mm": list(trial.lost_mm),
    }
