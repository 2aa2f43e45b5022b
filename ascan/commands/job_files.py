"""How commands find the files of a job: what an option leaves out lies in the job's folder."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ascan.base.errors import fault
from ascan.store.job import FILE, READINGS, SCANS, Job, job_here, load_job

# A positional argument that is no path as it stands is looked for here.
HOMES = {
    "scan": (SCANS,),
    "readings": (READINGS,),
    "earlier": (READINGS,),
    "later": (READINGS,),
    "file": (SCANS, READINGS),
}


def add_job_file(
    parser: argparse.ArgumentParser, *names: str, job: str, needed: bool = True, **how: Any
) -> None:
    """Add an option that names a file; left out, it is ``job`` in the job's folder.

    ``{stem}`` in it is the name of the scan or readings, without its ending; ``needed`` says
    whether the command does without.
    """
    action = parser.add_argument(*names, **how)
    known = dict(parser.get_default("job_files") or {})
    known[action.dest] = (job, needed, names[-1])
    parser.set_defaults(job_files=known)
    add_job(parser)


def add_job(parser: argparse.ArgumentParser) -> None:
    """Add the option that names the job, once."""
    if parser.get_default("job") is None:
        parser.add_argument(
            "--job",
            metavar="FOLDER",
            default="",
            help=f"folder of the job (default: the current one, where it holds {FILE})",
        )


def find_files(args: argparse.Namespace) -> None:
    """Fill in what the options leave out from the job's folder.

    The job is kept as ``in_job``, the names of what was filled in as ``filled_in``.

    Raises
    ------
    AscanError
        A file that is needed is neither named nor in a job.
    """
    job = load_job(args.job) if getattr(args, "job", None) else job_here()
    args.in_job, args.filled_in = job, set()
    if job is not None:
        _find_inputs(args, job)
    for name, (where, needed, option) in (getattr(args, "job_files", None) or {}).items():
        if getattr(args, name) is not None:
            continue
        path = job.path(where.format(stem=_stem(args))) if job else None
        if path is not None and (name == "output" or path.is_file()):
            setattr(args, name, [str(path)] if name == "calibrations" else str(path))
            args.filled_in.add(name)
        elif path is not None and name == "series" and args.command == "check":
            setattr(args, name, str(path))
        elif needed:
            raise fault(
                args.command,
                f"needs {option}" + (f": {path} is not there" if path else ""),
                remedy="name the file"
                if job
                else "name the file, or work in the folder of a job (ascan job)",
            )


def _find_inputs(args: argparse.Namespace, job: Job) -> None:
    for name, homes in HOMES.items():
        given = getattr(args, name, None)
        if isinstance(given, str):
            setattr(args, name, found_in(job, given, *homes))


def found_in(job: Job | None, given: str, *homes: str) -> str:
    """Return a path as it is given, or inside a job's folder where it is only there."""
    if job is None or Path(given).exists():
        return given
    inside = [path for home in homes if (path := job.path(home) / given).exists()]
    return str(inside[0]) if inside else given


def _stem(args: argparse.Namespace) -> str:
    for name in ("readings", "scan", "later"):
        given = getattr(args, name, None)
        if isinstance(given, str):
            return Path(given).stem
    return str(args.command)
