"""A scan as text that other programs read, and that `read_foreign` reads back the same."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

from ascan.store.replacing import whole_file
from ascan.store.sidecar import OF_RECORDS
from ascan.waveform.recording import FORMS, LEVELS
from ascan.waveform.scan import Scan

BLOCK_ROWS = 256


def write_scan_text(scan: Scan, path: str | Path, *, replace: bool = False) -> None:
    """Write a scan as CSV: what its samples mean as comments, a header, a line of each record.

    Parameters
    ----------
    scan : Scan
    path : str or Path
    """
    recording = scan.recording
    meant: dict[str, Any] = {"sample_rate_mhz": recording.sample_rate_mhz}
    meant |= {name: getattr(recording, name) for name in LEVELS}
    meant |= {name: True for name in FORMS if getattr(recording, name)}
    names = [*scan.columns, "start_us", *(f"s{k}" for k in range(scan.shape[1]))]
    with whole_file(path, replace=replace) as part, part.open("w", encoding="utf-8") as file:
        for key, value in meant.items():
            if isinstance(value, bool) or math.isfinite(value):
                file.write(f"# {key} = {str(value).lower()}\n")
        if scan.columns:
            # Names that nothing else knows are told from samples by this.
            file.write(f"# {OF_RECORDS} = {json.dumps(list(scan.columns))}\n")
        table = csv.writer(file, lineterminator="\n")
        table.writerow(names)
        for rows, block in scan.blocks(BLOCK_ROWS):
            own = [values[rows].tolist() for values in scan.columns.values()]
            own.append(scan.start_time_us[rows].tolist())
            for *columns, samples in zip(*own, block.tolist(), strict=True):
                table.writerow([*columns, *samples])
