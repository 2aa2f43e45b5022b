"""Two checkouts on the same signals in one job: every column and every calibration, bit for bit.

    python benches/guard.py REVISION [OTHER] [--rows N] [--seed N] [--cases FOLDER] [--only WORD]

REVISION is what was, OTHER (this tree as it stands, if left out) what is. Making the signals takes
longer than measuring them: `--cases` keeps them in a folder, and takes them from there again.

Both measure the cases of `guard_cases` through the public interface and nothing else. Compared are
the SHA-256 of every column, and of everything that a calibration holds. A column, flag or key that
was renamed is compared under its first name, by the table that the newer checkout reads old files
with. A hash holds for one processor and one numba only, hence both in one job. Exit status 1 where
something differs, or where a flag was raised nowhere.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
COLLECT = "--collect"


def contents(found: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Yield what an object holds, as (path, array): arrays, numbers, and tuples of numbers."""
    if is_dataclass(found) and not isinstance(found, type):
        for each in fields(found):
            yield from contents(getattr(found, each.name), f"{path}/{each.name}")
    elif isinstance(found, Mapping):
        for key, value in found.items():
            if str(key) not in ("made", "writer"):
                yield from contents(value, f"{path}/{key}")
    elif isinstance(found, np.ndarray):
        yield path, found
    elif isinstance(found, (bool, int, float, np.generic)):
        yield path, np.asarray(found, np.float64)
    elif isinstance(found, (tuple, list)):
        if all(isinstance(value, (bool, int, float)) for value in found):
            yield path, np.asarray(found, np.float64)
        else:
            for k, value in enumerate(found):
                yield from contents(value, f"{path}/{k}")


def sha(values: Any) -> str:
    array = np.ascontiguousarray(values)
    head = f"{array.dtype.str}{array.shape}".encode()
    return hashlib.sha256(head + array.tobytes()).hexdigest()


def first_names() -> tuple[dict[str, str], dict[str, str]]:
    """Return the first names of columns and of gates' columns, by the checkout's own table."""
    try:
        table = importlib.import_module("ascan.base.old_names")
    except ImportError:
        return {}, {}
    split = {new: old for old, both in table.TWO_MEANINGS.items() for new in both}
    return (
        {new: old for old, new in table.COLUMNS.items()} | split,
        {new: old for old, new in table.GATE_COLUMNS.items()},
    )


def first_name(column: str, renamed: tuple[dict[str, str], dict[str, str]]) -> str:
    whole, of_gates = renamed
    if column in whole:
        return whole[column]
    for new, old in of_gates.items():
        if column.endswith(f"_{new}"):
            return f"{column.removesuffix(new)}{old}"
    return column


def collect(cases: Path, out: Path, only: str) -> None:
    """Measure every case with the checkout that Python finds; keep columns and calibrations."""
    import ascan

    renamed = first_names()
    flags = {int(flag): str(flag.name) for flag in ascan.Flag}
    for case in sorted(cases.iterdir()):
        if only not in case.name:
            continue
        home = out / case.name
        home.mkdir(parents=True)
        block, known = ascan.open_scan(case / "block.npz"), np.load(case / "known_mm.npy")
        u_known = float((case / "u_known_mm").read_text())
        told: dict[str, Any] = {"components": {}}
        try:
            procedure = ascan.Procedure.from_text((case / "procedure.toml").read_text())
            calibration = calibrated(block, procedure, known, u_known)
        except ascan.AscanError as problem:
            told["refused"] = str(problem)
            print(f"  {case.name}: {problem}", flush=True)
            (home / "told.json").write_text(json.dumps(told))
            continue
        held = dict(contents(calibration))
        np.savez(home / "calibration.npz", **{k.strip("/"): v for k, v in held.items()})
        for name, scan in (("block, timed only", block), *components(case)):
            if name == "block, timed only":
                readings = ascan.time_echoes(scan, procedure)
            else:
                readings = ascan.measure(scan, procedure, calibration)
            columns = {first_name(n, renamed): v for n, v in readings.columns.items()}
            np.savez(home / f"{name}.npz", **columns)
            told["components"][name] = {
                flags[bit]: int((readings.flags & np.uint32(bit) != 0).sum()) for bit in flags
            }
        (home / "told.json").write_text(json.dumps(told))
        print(f"  {case.name}", flush=True)


def calibrated(block: Any, procedure: Any, known: Any, u_known: float) -> Any:
    """Return one calibration, or one for each channel of the block."""
    import ascan

    if "channel" not in block.columns:
        return ascan.calibrate(block, procedure, known, u_known_mm=u_known)
    channel = np.asarray(block.columns["channel"])
    return {
        int(each): ascan.calibrate(
            block, procedure, np.where(channel == each, known, np.nan), u_known_mm=u_known
        )
        for each in np.unique(channel)
    }


def components(case: Path) -> Iterator[tuple[str, Any]]:
    import ascan

    for path in sorted((case / "components").iterdir()):
        yield path.stem, ascan.open_scan(path)


def run(checkout: Path, cases: Path, out: Path, only: str) -> None:
    print(f"measuring with {checkout}", flush=True)
    environment = os.environ | {"PYTHONPATH": str(checkout), "OMP_NUM_THREADS": "1"}
    command = [sys.executable, __file__, COLLECT, str(cases), str(out), only]
    subprocess.run(command, env=environment, cwd=out, check=True)


def load(path: Path) -> dict[str, Any]:
    with np.load(path) as found:
        return {name: found[name] for name in found.files}


def difference(before: Any, after: Any) -> str:
    """Return in words how two columns differ."""
    if before.shape != after.shape or before.dtype != after.dtype:
        return f"{before.dtype}{before.shape} became {after.dtype}{after.shape}"
    if before.dtype.kind not in "fiub":
        return f"{int((before != after).sum())} of {before.size} values"
    one, other = before.astype(np.float64), after.astype(np.float64)
    moved = ~((one == other) | (np.isnan(one) & np.isnan(other)))
    most = np.nanmax(np.abs(one - other)[moved], initial=0.0) if moved.any() else 0.0
    return f"{int(moved.sum())} of {before.size} values, by up to {most:.3g}"


def known_part(value: Any) -> Any:
    """Return the numbers of an array that are known: a step that taught nothing may be a NaN."""
    numbers = value.astype(np.float64).ravel()
    return numbers[~np.isnan(numbers)]


def compare_calibrations(before: dict[str, Any], after: dict[str, Any]) -> tuple[int, list[str]]:
    """Return how many things were compared, and what differs: by name, or wherever it now lies."""
    told, others = [], {sha(known_part(value)) for value in after.values()}
    for name, value in before.items():
        if value.size == 0:
            continue
        if name in after:
            if sha(value) != sha(after[name]):
                told.append(f"{name}: {difference(value, after[name])}")
        elif known_part(value).size and sha(known_part(value)) not in others:
            told.append(f"{name}: is not there any more")
    return len(before), told


def compare(before: Path, after: Path) -> int:
    """Print how the results of two checkouts differ, and what was covered; return 0 where equal."""
    totals = {"rows": 0, "columns": 0, "values of calibrations": 0, "cases": 0, "components": 0}
    kinds: set[str] = set()
    raised: dict[str, int] = {}
    differences: list[str] = []
    for home in sorted(before.iterdir()):
        was, now = (json.loads((one / home.name / "told.json").read_text()) for one in (
            before, after))  # fmt: skip
        totals["cases"] += 1
        if "refused" in was or "refused" in now:
            differences.append(f"{home.name}: calibration refused: {was.get('refused')}")
            continue
        pair = (load(one / home.name / "calibration.npz") for one in (before, after))
        count, told = compare_calibrations(*pair)
        totals["values of calibrations"] += count
        differences += [f"{home.name}: calibration {line}" for line in told]
        for name, flags in was["components"].items():
            one, other = (load(side / home.name / f"{name}.npz") for side in (before, after))
            totals["components"] += 1
            totals["rows"] += len(one["flags"])
            for flag, rows in flags.items():
                raised[flag] = raised.get(flag, 0) + rows
            for column in sorted({*one, *other}):
                totals["columns"] += 1
                kinds.add(column)
                where = f"{home.name}, {name}: {column}"
                if column not in one or column not in other:
                    differences.append(f"{where}: only {'after' if column in other else 'before'}")
                elif sha(one[column]) != sha(other[column]):
                    differences.append(f"{where}: {difference(one[column], other[column])}")
    print("\n" + ", ".join(f"{count} {what}" for what, count in totals.items()))
    print(f"{len(kinds)} kinds of column: {', '.join(sorted(kinds))}")
    print("rows on which each flag stood (of the readings as a whole):")
    for flag, rows in sorted(raised.items(), key=lambda item: item[1]):
        print(f"  {flag.lower():<28}{rows:>8}")
    missing = sorted(flag.lower() for flag, rows in raised.items() if not rows)
    if missing:
        print(f"raised nowhere: {', '.join(missing)}")
    print(f"\n{len(differences)} differences")
    for line in differences[:60]:
        print(f"  {line}")
    return 1 if differences or missing else 0


def checkout_of(revision: str, folder: Path) -> Path:
    """Return a folder that holds the files of a revision."""
    home = folder / f"checkout-{revision.replace('/', '-')}"
    home.mkdir()
    archive = subprocess.run(
        ["git", "archive", revision, "ascan"], cwd=ROOT, check=True, capture_output=True
    )
    subprocess.run(["tar", "-x", "-C", str(home)], input=archive.stdout, check=True)
    return home


def main() -> int:
    reader = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    reader.add_argument("revision")
    reader.add_argument("other", nargs="?")
    reader.add_argument("--rows", type=int, default=24)
    reader.add_argument("--seed", type=int, default=600)
    reader.add_argument("--cases", help="folder that keeps the signals")
    reader.add_argument("--only", default="", help="cases with this word in their name")
    given = reader.parse_args()
    from guard_cases import write_cases

    with tempfile.TemporaryDirectory(prefix="guard-") as name:
        folder = Path(name)
        before = checkout_of(given.revision, folder)
        after = checkout_of(given.other, folder) if given.other else ROOT
        cases = Path(given.cases).resolve() if given.cases else folder / "cases"
        if not cases.is_dir():
            write_cases(cases, given.rows, given.seed)
        sides = []
        for number, checkout in enumerate((before, after)):
            sides.append(folder / f"side-{number}")
            sides[-1].mkdir()
            run(checkout, cases, sides[-1], given.only)
        return compare(*sides)


if __name__ == "__main__":
    if sys.argv[1:2] == [COLLECT]:
        collect(Path(sys.argv[2]), Path(sys.argv[3]), sys.argv[4])
    else:
        sys.exit(main())
