"""``ascan synth``: waveforms of known truth, from a named scenario or a scenario file."""

from __future__ import annotations

import argparse
import tomllib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from ascan_synthetic.scenario import load_scenario, named_scenarios
from ascan_synthetic.synthesis import CHUNK_ROWS, Synthesis

from ascan.base.errors import did_you_mean, fault
from ascan.commands.shared import add_common, check_outputs, progress_bar, say
from ascan.kernels.arrays import AnyArray
from ascan.store import schema
from ascan.store.scans import save_scan
from ascan.waveform.recording import recording_for
from ascan.waveform.scan import Scan

EXAMPLE = "ascan synth pitted_raster -o raster.h5"
THREADS = 2


@dataclass(frozen=True, eq=False, slots=True)
class SynthesisRows:
    """Waveforms of a scenario, made when they are read."""

    synthesis: Synthesis

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""
        return len(self.synthesis), self.synthesis.scenario.record.samples

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of a sample."""
        stored: np.dtype[Any] = self.synthesis.dtype
        return stored

    def read_block(self, start: int, stop: int) -> AnyArray:
        """Return rows start..stop; whole chunks are made on several threads."""
        firsts = list(range(start - start % CHUNK_ROWS, stop, CHUNK_ROWS))
        spans = [(max(k, start), min(k + CHUNK_ROWS, stop)) for k in firsts]
        with ThreadPoolExecutor(THREADS) as pool:
            return np.concatenate(
                list(pool.map(lambda span: self.synthesis.waveforms(*span), spans))
            )


def synthetic_scan(synthesis: Synthesis) -> Scan:
    """Return a scenario as a scan, its truth in the columns."""
    rows = SynthesisRows(synthesis)
    record = synthesis.scenario.record
    recording = recording_for(
        rows.dtype,
        sample_rate_mhz=record.sample_rate_mhz,
        full_scale=synthesis.full_scale,
        zero_code=record.zero_code,
        rectified=record.rectified,
        peak_held=record.held_samples > 0,
    )
    start_us = np.asarray(record.start_us)
    return Scan(rows, recording, start_us, synthesis.truth_columns(), synthesis.scenario.title)


def synthesis_of(name: str) -> Synthesis:
    """Return a scenario worked out.

    Raises
    ------
    AscanError
        No scenario of that name, or a file that is none.
    """
    try:
        return Synthesis(load_scenario(name))
    except FileNotFoundError:
        known = named_scenarios()
        remedy = did_you_mean(name, known)
        raise fault(name, "is no scenario", allowed=", ".join(known), remedy=remedy) from None
    except (ValueError, tomllib.TOMLDecodeError) as problem:
        raise fault(name, f"is no good scenario: {problem}") from None


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scenario", help=f"a TOML file, or one of: {', '.join(named_scenarios())}")
    parser.add_argument("-o", "--output", required=True, help="scan (HDF5) to write")
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Write the waveforms, a block at a time, truth beside each."""
    check_outputs(args, [args.scenario], [(args.output, schema.SCAN)])
    scan = synthetic_scan(synthesis_of(args.scenario))
    save_scan(scan, args.output, replace=args.replace, progress=progress_bar(args))
    say(args, [f"{len(scan)} synthetic waveforms written to {args.output}: {scan.name}"])
