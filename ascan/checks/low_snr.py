"""LOW_SNR: the echo's peak stands too little above the noise of its record."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import FloatArray
from ascan.kernels.jit import compiled

MIN_SNR_DB = Key(
    name="min_snr_db",
    default=6.0,
    meaning="below it `low_snr` is set",
    why="below twice the noise a gate's threshold lets noise itself through; above it the odds "
    "against the next half-cycle say what noise may do (own study, 6 to 16 dB)",
)


@compiled
def write_snr(amplitude: FloatArray, noise: FloatArray, snr_db: FloatArray) -> None:
    """Write 20 log10(|amplitude| / noise), both in codes."""
    for row in range(snr_db.size):
        snr_db[row] = 20.0 * np.log10(abs(amplitude[row]) / noise[row])


def evidence(seen: CheckInput) -> Evidence:
    """Return each echo's peak over the noise."""
    snr_db = np.empty(seen.rows)
    write_snr(seen.at.top, seen.at.electronic, snr_db)
    return {"snr_db": snr_db}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what is below the procedure's limit."""
    return {Flag.LOW_SNR: found["snr_db"] < seen.limit(MIN_SNR_DB.name)}


CHECK = Check(
    name="low_snr",
    stage=Stage.GATE,
    evidence=evidence,
    judge=judge,
    keys=(MIN_SNR_DB,),
    columns=(Column("snr_db", "dB", "that peak over noise", of_gate=True),),
)
