"""The command line: joins the commands; a caller's fault is one sentence and exit code 2."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import importlib.metadata
import io
import os
import re
import signal
import sys
import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

from ascan.base import old_names
from ascan.base.errors import AscanError, did_you_mean, fault
from ascan.base.units import SHOWN_IN
from ascan.commands.job_files import find_files
from ascan.report.cautions import CAUTION

COMMANDS = {
    "guide": "pages to read: first hour, how-tos, reference, explanations",
    "demo": "run the main job on an invented component",
    "job": "begin a folder for a job, in which the commands find its files",
    "info": "say what a scan, calibration or readings file holds",
    "draft": "propose a procedure from records of a step block",
    "plan": "say what uncertainty to expect and which steps to use",
    "calibrate": "fit a calibration to waveforms taken on known steps",
    "calibration-report": "write a calibration as one page to file",
    "check": "read a known step and keep the result with its series",
    "measure": "measure a scan with a procedure and a calibration",
    "points": "the least reading of each named point, and what it has lost",
    "map": "a surface from its readings: least, mean, coverage, area below limits, picture",
    "change": "what a surface has lost since an earlier survey, at which rate",
    "sections": "the least wall along a surface and round it; how long and wide thin ground is",
    "trend": "what a surface or points lose over three surveys and more, with rate and life",
    "extremes": "the least wall to be expected on ground that nobody looked at",
    "diff": "the same stored signals read twice: what became of each reading",
    "score": "readings against a wall that was measured otherwise, as a height map",
    "job-report": "write a job as one page to file and audit",
    "apply-checks": "mark readings as confirmed, void or open by the checks of their series",
    "budget": "say what the uncertainty of a reading is made of",
    "linearity": "a dated record of the instrument's own linearity: time base, heights",
    "study": "say what repeating and operators add, or how a blind trial went",
    "import": "write waveforms of another program's file as a scan",
    "export": "write readings as CSV, or a .npz scan as HDF5",
    "synth": "write synthetic waveforms of known truth",
    "compare": "compare timing methods on a scenario or on real steps",
    "smallest-pit": "which pits a procedure would find, by simulated signals of its kind",
    "verify": "try the engine on signals of known truth, figures beside limits",
    "plot": "draw waveforms with their gates and picks",
    "warm-up": "compile once what the commands would compile when first used",
    "completion": "print what makes a shell complete these commands",
}
# Modules that are not called as their command is.
MODULES = {"import": "import_scan", "map": "surface"}
DONE, UNFORESEEN, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130
DEBUG_VARIABLE = "ASCAN_DEBUG"
HELP_WIDTH = 79


class _Parser(argparse.ArgumentParser):
    """Reports a wrong option in the same voice as every other fault; takes none shortened."""

    def __init__(self, **how: Any) -> None:
        super().__init__(**how, allow_abbrev=False)

    def error(self, message: str) -> None:  # type: ignore[override]
        command = self.prog.removeprefix("ascan").strip()
        raise AscanError(f"{command}: {message}; see {self.prog} --help".removeprefix(": "))


def build_parser(chosen: str, *, every: bool = False) -> argparse.ArgumentParser:
    """Return the parser with all commands; only the chosen one is loaded, or every one."""
    parser = _Parser(
        prog="ascan",
        description="Wall thickness with its uncertainty from raw ultrasonic waveforms.",
        epilog=_wrapped(
            CAUTION,
            f"Exit codes: {DONE} done, {BAD_INPUT} bad input, 3 a check has failed, "
            f"{INTERRUPTED} interrupted, "
            f"{UNFORESEEN} a fault of this program.",
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and end")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name, summary in COMMANDS.items():
        sub = subparsers.add_parser(
            name, help=summary, formatter_class=argparse.RawDescriptionHelpFormatter
        )
        if every or name == chosen:
            file = MODULES.get(name, name.replace("-", "_"))
            module = importlib.import_module(f"ascan.commands.{file}")
            sub.description = f"{summary[0].upper()}{summary[1:]}."
            sub.epilog = f"Example:\n  {module.EXAMPLE}\n\n{_wrapped(CAUTION)}"
            module.add_arguments(sub)
            known = sorted(set(re.findall(r"--[a-z0-9-]+", sub.format_usage())))
            sub.set_defaults(run=module.run, known_options=known)
    return parser


def _parsed(words: list[str]) -> argparse.Namespace:
    """Return the options; an unknown command or option is told with the nearest known one."""
    first = words[0] if words else ""
    if first in old_names.COMMANDS:
        first = old_names.COMMANDS[first]
        words = [first, *words[1:]]
    if first and not first.startswith("-") and first not in COMMANDS:
        raise fault(
            first, "is no command", remedy=did_you_mean(first, COMMANDS) or "see ascan --help"
        )
    args, unknown = build_parser(first).parse_known_args(_joined_negatives(words))
    for word in unknown:
        option, help_of = word.partition("=")[0], f"ascan {first} --help".replace("  ", " ")
        known = getattr(args, "known_options", [])
        if option.startswith("-"):
            raise fault(
                option, "is no option here", remedy=did_you_mean(option, known) or f"see {help_of}"
            )
        raise fault(first, f"has no use for '{word}'", remedy=f"see {help_of}")
    return args


def _joined_negatives(words: list[str]) -> list[str]:
    """Return words with each value that begins with a minus joined to the option it belongs to.

    Examples
    --------
    >>> _joined_negatives(["map", "--area", "-10,90,0,50", "-o", "map.png"])
    ['map', '--area=-10,90,0,50', '-o', 'map.png']
    """
    out: list[str] = []
    for word in words:
        if re.match(r"-\.?[0-9]", word) and out and re.fullmatch(r"--[a-z0-9-]+", out[-1]):
            out[-1] += f"={word}"
        else:
            out.append(word)
    return out


def _wrapped(*paragraphs: str) -> str:
    return "\n\n".join(textwrap.fill(paragraph, HELP_WIDTH) for paragraph in paragraphs)


def _end_on_request() -> None:
    """Let a request to end (SIGTERM, SIGHUP) clean up as an interruption does."""

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), interrupt)


def _say_what_follows(args: argparse.Namespace) -> None:
    from ascan.commands.following import following

    for line in following(args):
        print(f"next: {line}")


@contextlib.contextmanager
def _compiling_told(args: argparse.Namespace) -> Iterator[None]:
    """Say that kernels are being compiled, where that takes long."""
    if getattr(args, "quiet", False) or "ascan.kernels.jit" not in sys.modules:
        yield
        return
    from ascan.kernels.compiling import end_watch, watch

    def told(count: int, seconds: float) -> None:
        once = "; kept for the next run (ascan warm-up does it at set-up)"
        once = "" if args.command == "warm-up" else once
        print(f"ascan: compiling, {count} parts in {seconds:.0f} s{once}", file=sys.stderr)

    found = watch(told)
    try:
        yield
    finally:
        end_watch(found)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal that cannot show µ shows something else instead of failing.
            stream.reconfigure(errors="replace")
    if arguments is None:
        _end_on_request()
    code = DONE
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        args = _parsed(words)
        if args.version:
            print(f"ascan {importlib.metadata.version('ascan')}")
        elif args.command is None:
            raise AscanError("no command given; see ascan --help")
        else:
            SHOWN_IN.set("in" if getattr(args, "inch", False) else "mm")
            find_files(args)
            with _compiling_told(args):
                code = args.run(args) or DONE
            if not (getattr(args, "quiet", True) or getattr(args, "json", False)):
                _say_what_follows(args)
        sys.stdout.flush()
    except AscanError as problem:
        print(f"ascan: {problem}", file=sys.stderr)
        return BAD_INPUT
    except BrokenPipeError:
        # The reader of our output went away; nothing more can be said to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as problem:
        print(f"ascan: {problem.filename or 'file'}: {problem.strerror}", file=sys.stderr)
        return BAD_INPUT
    except Exception as problem:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        kind = type(problem).__name__
        print(
            f"ascan: an unforeseen fault ({kind}: {problem}); please report it with the command "
            f"and, with {DEBUG_VARIABLE}=1 set, what it prints then",
            file=sys.stderr,
        )
        return UNFORESEEN
    except KeyboardInterrupt:
        print("ascan: interrupted; nothing half-written is left", file=sys.stderr)
        return INTERRUPTED
    return code


if __name__ == "__main__":
    sys.exit(main())
