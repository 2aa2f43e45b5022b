"""Mistakes planted one at a time in the rooms that learn, judge and fit, and who finds them.

    python benches/mutants.py [--count 300] [--seed 24] [--jobs 2] [--only WORD] [--again FILE]

Candidates are every comparison, sum, product, minimum, maximum, number, `and`, `or`, `not`,
condition and update of these rooms, messages and annotations apart; a sample of them, drawn by the
seed, is tried. Each mutant is met by the tests that reach the function it sits in (a kernel: those
that reach what calls it), first by those that reach most in a second, up to 30 s as they last
without it. A mutant is killed by a test that fails, or that takes four times as long and a minute.
Those that survive are printed, and `EQUIVALENT` says of some why no test can tell them. Exit status
1 where fewer than nine of ten of the rest are killed, or more than one of ten is called equivalent.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import Queue

from ascan.kernels.cache import cache_root

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("steps", "calibration", "checks", "learning", "finding", "whole_record")
BUDGET_S = 30.0
# Numbers below keep a division from nothing: twice as much does it, too.
GUARD = 1e-6
# What no test can tell from the code as it is, by `Mutant.label`, and why.
EQUIVALENT: dict[str, str] = {
    "checks/multiple_suspected.py _odds_at: posinf=0.0  ->  posinf=1.0": "never infinite",
    (
        "finding/clutter.py clutter_beside: (last - first) // half  ->  (last + first) // half"
    ): "only an early exit: a gate so short has no background anyway",
    (
        "learning/arrival_models.py without_unlike: np.where(np.isnan(guide.shapes), 0.0, "
        "cut * found.sign[:, None])  ->  np.where(np.isnan(guide.shapes), 0.0, cut / "
        "found.sign[:, None])"
    ): "the sign of a nominal echo is 1 or -1",
    (
        "checks/finite.py mark_not_finite: for j in range(samples.size): total += samples[j] "
        "- samples[j]  ->  for j in range(samples.size): total -= samples[j] - samples[j]"
    ): "what is added is 0 or NaN",
    (
        "calibration/step_block.py _fit_through_zero: 2.0 * float(means.thickness_mm[-1])  "
        "->  4.0 * float(means.thickness_mm[-1])"
    ): "a first guess: four passes settle the slope",
    "checks/multiples.py evidence: nan=0.0  ->  nan=1.0": "nothing is looked at either way",
    "checks/second_echo.py evidence: -1  ->  +1": "so little room is passed over",
    "checks/second_echo.py write_second: 2 * sought  ->  3 * sought": "only a longer buffer",
    "whole_record/coated_fit.py top: 128  ->  129": "only how long a transform is",
    (
        "learning/arrival_models.py _nominal_echoes: "
        "np.floor((geometry.middle_time_us(depth_mm, velocity) - 2.0 * lead) * rate) / rate  "
        "->  np.ceil((geometry.middle_time_us(depth_mm, velocity) - 2.0 * lead) * rate) / "
        "rate"
    ): "a record that begins a sample later",
    (
        "whole_record/bank.py lay: np.log1p(max(crossed_mm - scale[0], 0.0) / FIRST_MM)  ->  "
        "np.log1p(max(crossed_mm - scale[0], 0.0) * FIRST_MM)"
    ): "that constant is 1",
}
SWAPPED_CALLS = {
    "minimum": "maximum", "fmin": "fmax", "nanmin": "nanmax", "min": "max", "all": "any",
    "argmin": "argmax", "nanmedian": "nanmin", "median": "min", "floor": "ceil",
}  # fmt: skip
SWAPPED_CALLS |= {new: old for old, new in list(SWAPPED_CALLS.items())[:6]}
SWAPPED: dict[type, type] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
# A plugin for pytest: which functions each test calls, and how long it lasts.
TRACER = """
import json, os, sys, time
import pytest
SEEN, FOUND, ROOT = set(), [], os.environ["MUTANTS_ROOT"] + "/ascan/"

def note(frame, event, arg):
    if event == "call" and frame.f_code.co_filename.startswith(ROOT):
        SEEN.add((frame.f_code.co_filename[len(ROOT):], frame.f_code.co_firstlineno))

@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item, nextitem):
    SEEN.clear()
    sys.setprofile(note)
    # Time of the processor: other programs do not make a test a slow one.
    start = time.process_time()
    try:
        return (yield)
    finally:
        sys.setprofile(None)
        FOUND.append((item.nodeid, time.process_time() - start, sorted(SEEN)))

def pytest_sessionfinish(session):
    with open(f"{os.environ['MUTANTS_REACH']}.{os.getpid()}", "w") as file:
        json.dump(FOUND, file)
"""


@dataclass(frozen=True)
class Mutant:
    """One planted mistake: its file and line, the code before and after, and where it sits."""

    file: str
    line: int
    before: str
    after: str
    text: str  # the whole file
    function: tuple[str, int] | None  # name and first line; None at the top of a file

    @property
    def label(self) -> str:
        """The name that `EQUIVALENT` knows it by."""
        where = self.function[0] if self.function else "top"
        return f"{self.file} {where}: {self.before}  ->  {self.after}"

    @property
    def shown(self) -> str:
        """What a printout says of it."""
        return f"{self.file}:{self.line}  {self.before}  ->  {self.after}"


def changed(node: ast.AST) -> Iterator[tuple[Callable[[], None], Callable[[], None]]]:
    """Yield, for each mistake that a node can hold, what plants it and what takes it back."""

    def put(holder: ast.AST, name: str, value: object) -> tuple[Callable[[], None], ...]:
        old = getattr(holder, name)
        return (lambda: setattr(holder, name, value)), (lambda: setattr(holder, name, old))

    if isinstance(node, (ast.BinOp, ast.BoolOp, ast.AugAssign)) and type(node.op) in SWAPPED:
        yield put(node, "op", SWAPPED[type(node.op)]())  # type: ignore[misc]
    if isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPPED:
        yield put(node, "ops", [SWAPPED[type(node.ops[0])](), *node.ops[1:]])  # type: ignore[misc]
    if isinstance(node, ast.Call):
        called = node.func
        name = getattr(called, "attr", getattr(called, "id", ""))
        if name in SWAPPED_CALLS:
            key = "attr" if isinstance(called, ast.Attribute) else "id"
            yield put(called, key, SWAPPED_CALLS[name])  # type: ignore[misc]
    if (
        isinstance(node, ast.Constant)
        and type(node.value) in (int, float)
        and (node.value == 0 or abs(node.value) > GUARD)
    ):
        value = node.value + 1 if isinstance(node.value, int) else node.value * 2.0
        yield put(node, "value", value if value != node.value else 1.0)  # type: ignore[misc]
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
        yield put(node, "op", ast.UAdd())  # type: ignore[misc]


def inside(tree: ast.Module) -> Iterator[tuple[ast.AST, tuple[str, int] | None]]:
    """Yield the nodes that may hold a mistake, with the outermost function each is in."""
    skipped = (ast.Raise, ast.Import, ast.ImportFrom, ast.JoinedStr)

    def walk(node: ast.AST, function: tuple[str, int] | None) -> Iterator[tuple[ast.AST, object]]:
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if not isinstance(child, ast.AST) or isinstance(child, skipped):
                    continue
                called = getattr(getattr(child, "func", None), "id", "")
                if called in ("fault", "TypeVar") or _is_for_types(child):
                    continue
                own = function
                if isinstance(child, ast.FunctionDef) and function is None:
                    first = min([child.lineno, *(each.lineno for each in child.decorator_list)])
                    own = (child.name, first)
                yield child, own
                yield from walk(child, own)

    yield from walk(tree, None)  # type: ignore[misc]


def _is_for_types(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)


def shown(node: ast.AST) -> str:
    text = " ".join(ast.unparse(node).split())
    return text if len(text) < 90 else text[:87] + "..."


def mutants_of(path: Path) -> Iterator[Mutant]:
    """Yield every mutant of a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    file = path.relative_to(ROOT / "ascan").as_posix()
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    for node, function in inside(tree):
        for plant, take_back in changed(node):
            around = parents.get(node, node)
            if isinstance(around, (ast.stmt, ast.Module)) and isinstance(node, ast.expr):
                around = node
            before = shown(around)
            plant()
            yield Mutant(file, node.lineno, before, shown(around), ast.unparse(tree), function)
            take_back()


class Reach:
    """Which tests reach a function, as traced once on the tree without mistakes."""

    def __init__(self, copy: Path, jobs: int) -> None:
        (copy / "mutants_tracer.py").write_text(TRACER)
        kept = copy / "reach"
        run_tests(copy, ["-n", str(jobs), "-p", "mutants_tracer"], 3600.0, MUTANTS_REACH=str(kept))
        self.tests: list[tuple[str, float, set[tuple[str, int]]]] = [
            (test, lasts, {(file, line) for file, line in reached})
            for part in copy.glob("reach.*")
            for test, lasts, reached in json.loads(part.read_text())
        ]
        self.callers = dict(callers())

    def of(self, mutant: Mutant) -> list[str]:
        """Return the tests that meet a mutant, those first that reach most in a second."""
        places = self.places(mutant)
        # What a fixture of a file reaches is told of its first test alone: the others come after.
        files = {test.partition("::")[0] for test, _, reached in self.tests if reached & places}
        near = [each for each in self.tests if each[0].partition("::")[0] in files]
        near.sort(key=lambda each: (not each[2] & places, each[1] / (1 + len(each[2]))))
        chosen, spent = [], 0.0
        for test, lasts, _ in near:
            if spent + lasts <= BUDGET_S:
                chosen.append(test)
                spent += lasts
        return chosen

    def places(self, mutant: Mutant) -> set[tuple[str, int]]:
        """Return the functions, seen by the tracer, that run the mutant's code."""
        traced = {place for _, _, reached in self.tests for place in reached}
        if mutant.function is None:
            return {place for place in traced if place[0] == mutant.file} | self._above(
                mutant, traced
            )
        place = (mutant.file, mutant.function[1])
        return {place} if place in traced else self._above(mutant, traced)

    def _above(self, mutant: Mutant, traced: set[tuple[str, int]]) -> set[tuple[str, int]]:
        names = {mutant.function[0]} if mutant.function else set(_names_in(mutant.file))
        found: set[tuple[str, int]] = set()
        for _ in range(4):
            above = {caller for name in names for caller in self.callers.get(name, ())}
            found |= {(file, line) for file, line, _ in above if (file, line) in traced}
            names = {name for file, line, name in above if (file, line) not in traced}
        return found


def callers() -> Iterator[tuple[str, set[tuple[str, int, str]]]]:
    """Yield each name that functions of the package mention, with those functions."""
    found: dict[str, set[tuple[str, int, str]]] = {}
    for path in (ROOT / "ascan").rglob("*.py"):
        file = path.relative_to(ROOT / "ascan").as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                first = min([node.lineno, *(each.lineno for each in node.decorator_list)])
                for each in ast.walk(node):
                    name = getattr(each, "id", getattr(each, "attr", None))
                    if isinstance(name, str):
                        found.setdefault(name, set()).add((file, first, node.name))
    yield from found.items()


def _names_in(file: str) -> Iterator[str]:
    for node in ast.parse((ROOT / "ascan" / file).read_text(encoding="utf-8")).body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            yield node.name
        elif isinstance(node, (ast.Assign, ast.AnnAssign)):
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            yield getattr(target, "id", "")


def run_tests(copy: Path, options: list[str], limit_s: float, **more: str) -> int | None:
    """Return pytest's exit status in a copy, or None where it took too long."""
    environment = dict(os.environ) | {
        "PYTHONPATH": str(copy), "ASCAN_CACHE_DIR": str(copy / "cache"), "OMP_NUM_THREADS": "1",
        "MUTANTS_ROOT": str(copy), "PYTHONDONTWRITEBYTECODE": "1",
    } | more  # fmt: skip
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *options]
    try:
        done = subprocess.run(
            command, cwd=copy, env=environment, timeout=limit_s, check=False,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return None
    return done.returncode


def copied(folder: Path) -> Path:
    """Return a copy of this tree, with a compiled cache of its own."""
    for name in ("ascan", "synthetic", "tests", "benches"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, folder)
    compiled = cache_root()
    if compiled is not None and compiled.is_dir():
        shutil.copytree(compiled, folder / "cache")
    return folder


def tried(mutant: Mutant, copy: Path, reach: Reach) -> str:
    """Return `killed`, `slow`, `survived`, or `unreached`."""
    tests = reach.of(mutant)
    if not tests:
        return "unreached"
    path = copy / "ascan" / mutant.file
    right = path.read_text(encoding="utf-8")
    path.write_text(mutant.text, encoding="utf-8")
    try:
        status = run_tests(copy, ["-x", *tests], 60.0 + 4.0 * BUDGET_S)
    finally:
        path.write_text(right, encoding="utf-8")
    return "slow" if status is None else "survived" if status == 0 else "killed"


def try_all(mutants: list[Mutant], jobs: int) -> Iterator[tuple[Mutant, str]]:
    """Yield each mutant with what became of it."""
    with tempfile.TemporaryDirectory() as name:
        copies: Queue[Path] = Queue()
        first = copied(Path(name) / "0")
        start = time.perf_counter()
        reach = Reach(first, jobs)
        print(f"{len(reach.tests)} tests traced in {time.perf_counter() - start:.0f} s", flush=True)
        for k in range(jobs):
            if k:
                shutil.copytree(first, Path(name) / str(k))
            copies.put(Path(name) / str(k))

        def one(mutant: Mutant) -> tuple[Mutant, str]:
            copy = copies.get()
            try:
                return mutant, tried(mutant, copy, reach)
            finally:
                copies.put(copy)

        with ThreadPoolExecutor(jobs) as pool:
            yield from pool.map(one, mutants)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--count", type=int, default=300)
    asked.add_argument("--seed", type=int, default=24)
    asked.add_argument("--jobs", type=int, default=2)
    asked.add_argument("--only", default="", help="files whose path holds this")
    asked.add_argument("--again", type=Path, help="printout of a run: try what survived there")
    options = asked.parse_args()
    paths = sorted(path for room in ROOMS for path in (ROOT / "ascan" / room).rglob("*.py"))
    every = [mutant for path in paths for mutant in mutants_of(path) if options.only in mutant.file]
    sample = random.Random(options.seed).sample(every, min(options.count, len(every)))
    print(f"{len(sample)} of {len(every)} mutants, seed {options.seed}")
    found_before = 0
    if options.again:
        lines = options.again.read_text(encoding="utf-8").splitlines()
        again = [each for each in sample if any(line.endswith(each.shown) for line in lines)]
        found_before, sample = len(sample) - len(again), again
        print(f"{found_before} were killed before, {len(again)} are tried again")
    counts = dict.fromkeys(("killed", "slow", "survived", "unreached", "equivalent"), 0)
    for mutant, became in try_all(sample, options.jobs):
        if became == "survived" and mutant.label in EQUIVALENT:
            became = "equivalent"
        counts[became] += 1
        if sum(counts.values()) % 50 == 0:
            print(counts, flush=True)
        if became not in ("killed", "slow"):
            print(f"{became:10} {mutant.shown}", flush=True)
    print(counts)
    judged = found_before + len(sample) - counts["equivalent"]
    killed = found_before + counts["killed"] + counts["slow"]
    print(f"killed: {killed} of {judged} ({100.0 * killed / max(judged, 1):.1f} %)")
    return int(killed < 0.9 * judged or counts["equivalent"] > 0.1 * (found_before + len(sample)))


if __name__ == "__main__":
    sys.exit(main())
