"""Golden files: scans, calibrations and readings of every format version, by the code of its day.

    python benches/golden.py [VERSION ...]

Each version's files are written by the first commit that wrote it, from signals made here, and
packed into `tests/formats/golden/VERSION.zip`; beside each readings file the columns as that code
had them in memory; in 2.0 the block, too, from which the calibration was made, and two signals of
each difficulty of `faults`. Later versions are given the signals of 2.0, and hold the rest. What is
there is never written anew: a file that is read for ever must stay the one that was written then.
A mode that a version did not have yet is left out.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
GOLDEN = ROOT / "tests" / "formats" / "golden"
WRITERS = {
    "1.0": "ec2c238", "1.1": "43256d0", "1.2": "1c32c6a", "1.3": "29b9e94",
    "1.4": "754aef8", "1.5": "1faf9a5", "1.6": "ae5fd74", "1.7": "bbec6c3",
    "2.0": "e151beb", "2.1": "2efb296",
}  # fmt: skip
# No file packed is dated: the same files give the same archive.
DATED = (2026, 1, 1, 0, 0, 0)
WRITE = """
import sys
from pathlib import Path
import numpy as np
import ascan
cases, out, signals_too = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
def scan_of(case, name):
    return ascan.open_scan(next(case.glob(name + ".*")))
for case in sorted(cases.iterdir()):
    home = out / case.name
    try:
        procedure = ascan.Procedure.from_text((case / "procedure.toml").read_text())
        block, walls = (scan_of(case, name) for name in ("block", "walls"))
        known_mm = np.load(case / "known_mm.npy")
        calibration = ascan.calibrate(block, procedure, known_mm, u_known_mm=0.005)
        home.mkdir()
        if signals_too == "all":
            ascan.save_scan(block, home / "block.h5")
            np.save(home / "known_mm.npy", known_mm)
        if signals_too != "walls" and list(case.glob("misleading.*")):
            misleading = scan_of(case, "misleading")
            if signals_too == "all":
                ascan.save_scan(misleading, home / "misleading.h5")
            columns = ascan.measure(misleading, procedure, calibration).columns
            np.savez_compressed(home / "misleading_columns.npz", **columns)
        ascan.save_calibration(calibration, home / "calibration.h5")
        if signals_too != "none":
            ascan.save_scan(walls, home / "walls.h5")
        ascan.measure_to_file(walls, procedure, calibration, home / "readings.h5")
        columns = ascan.measure(walls, procedure, calibration).columns
        np.savez_compressed(home / "columns.npz", **columns)
        (home / "procedure.toml").write_text(procedure.text)
        (home / "digest").write_text(calibration.digest)
    except (ascan.AscanError, AttributeError) as problem:
        print(f"  {case.name}: {type(problem).__name__} {problem}")
    else:
        print(f"  {case.name}: written")
"""


def write_signals(folder: Path) -> None:
    """Write what every version is given: procedures in the words of all, blocks, and four walls."""
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    from guard_cases import TRAIN, WITNESSED
    from guard_files import known_of, noisy, on_plates, on_steps, plain, records_of, stacked
    from misleading import difficulties, signals
    from setups import setups

    kinds = {setup.name: (setup.procedure.text, setup.clean) for setup in setups()}
    contact = plain("contact", radius_mm=0.0)
    kinds["train"] = (TRAIN, contact)
    by_peak = kinds["surface to echo"][0].replace("correlation", "peak")
    by_peak = by_peak.replace(", element_diameter_mm = 6.0", "")
    kinds["surface to echo by peak"] = (by_peak, kinds["surface to echo"][1])
    kinds["second interval"] = (WITNESSED.replace("COATING", ""), contact)
    line = kinds["whole record"]
    kinds["coated record"] = (f"{line[0]}\n[coating]\nvelocity_mm_per_us = 2.5\n", line[1])
    steps = {"train": (0.8, 1.2, 2.0), "second interval": (5.0, 6.0, 8.0, 10.0)}
    for name, (text, clean) in kinds.items():
        home = folder / name.replace(" ", "_")
        home.mkdir()
        of = steps.get(name, (3.0, 5.0, 8.0, 12.0))
        made = on_steps(clean, of, 2, 71)
        # The first versions knew no allowances.
        lines = [line for line in text.splitlines() if not line.startswith("uncertainty")]
        (home / "procedure.toml").write_text("\n".join(lines))
        np.save(home / "known_mm.npy", known_of(made))
        records_of(made).save(home / "block.npz")
        plates = on_plates(clean, (of[0], of[-1]), 4, 72)
        truth = known_of(plates)
        records_of(plates, true_mm=truth).save(home / "walls.npz")
    for setup in setups():
        misleading = [signals(setup, each, 73 + k, 2) for k, each in enumerate(difficulties(setup))]
        codes = np.concatenate([each.codes for each in misleading])
        home = folder / setup.name.replace(" ", "_")
        records_of(misleading[0].made, codes).save(home / "misleading.npz")
    thin = stacked(line[1], coating_mm=0.05, coating_velocity_mm_per_us=2.5)
    thick = stacked(line[1], coating_mm=0.4, coating_velocity_mm_per_us=2.8)
    made = [on_plates(each, (3.0, 12.0), 4, 74) for each in (thin, thick, noisy(thick, 0.01))]
    codes = np.concatenate([each.waveforms() for each in made])
    records_of(made[0], codes).save(folder / "coated_record" / "misleading.npz")


def kept_signals(folder: Path) -> None:
    """Write the signals that the files of 2.0 hold."""
    wanted = ("procedure.toml", "known_mm.npy", "block.h5", "walls.h5", "misleading.h5")
    with zipfile.ZipFile(GOLDEN / "2.0.zip") as packed:
        names = [name for name in packed.namelist() if name.endswith(wanted)]
        shutil.rmtree(folder)
        packed.extractall(folder, names)


def write(version: str, signals: Path, folder: Path) -> None:
    """Write the files of one version and pack them."""
    checkout, out = folder / f"code-{version}", folder / f"files-{version}"
    checkout.mkdir()
    out.mkdir()
    archive = subprocess.run(
        ["git", "archive", WRITERS[version], "ascan"], cwd=ROOT, check=True, capture_output=True
    )
    subprocess.run(["tar", "-x", "-C", str(checkout)], input=archive.stdout, check=True)
    print(f"{version}, by {WRITERS[version]}", flush=True)
    subprocess.run(
        [
            sys.executable,
            "-c",
            WRITE,
            str(signals),
            str(out),
            "walls" if version < "2.0" else "all" if version == "2.0" else "none",
        ],
        env=os.environ | {"PYTHONPATH": str(checkout), "OMP_NUM_THREADS": "1"},
        cwd=out,
        check=True,
    )
    with zipfile.ZipFile(GOLDEN / f"{version}.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        for path in sorted(path for path in out.rglob("*") if path.is_file()):
            entry = zipfile.ZipInfo(path.relative_to(out).as_posix(), DATED)
            packed.writestr(entry, path.read_bytes(), zipfile.ZIP_DEFLATED, 9)


def main(versions: list[str]) -> None:
    GOLDEN.mkdir(parents=True, exist_ok=True)
    wanted = [version for version in versions or WRITERS if version in WRITERS]
    missing = [version for version in wanted if not (GOLDEN / f"{version}.zip").exists()]
    for version in set(wanted) - set(missing):
        print(f"{version}: is there, and stays")
    with tempfile.TemporaryDirectory(prefix="golden-") as name:
        folder = Path(name)
        signals, kept = folder / "signals", folder / "kept"
        for home in (signals, kept):
            home.mkdir()
        if any(version <= "2.0" for version in missing):
            write_signals(signals)
        for version in missing:
            if version > "2.0":
                kept_signals(kept)
            write(version, kept if version > "2.0" else signals, folder)


if __name__ == "__main__":
    main(sys.argv[1:])
