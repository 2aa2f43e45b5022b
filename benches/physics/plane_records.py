"""Records from stored plane waves: a pulse, a receiver, coupling and noise put on.

    stored = stored_responses("dual")
    steps = records(flat_steps(stored), Receiver(snr_db=40.0, seed=1))

Thicknesses of the walls are in the records' truth. `flat_steps` are of the same physics as the
rest: what a calibration is made on.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from . import plane_dual, plane_rasters, transfer
from .media import Floats
from .records import Records, digitised
from .transfer import Responses

DATA = Path(__file__).resolve().parent / "data"
AS_CALIBRATED = "as calibrated"
# From here on a record is the wall's, in µs.
LATE_US = {"contact": 0.5, "line": 9.45, "dual": 7.0}
ROOM_US = 4.0
# Height of the reference echo as a share of full scale; behind a line its own echo is five times as
# high.
HEIGHT = {"contact": 0.4, "line": 0.12, "dual": 0.4}


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """Pulse, digitiser and what goes wrong; draws by the seed.

    ``snr_db``: the reference's largest wall echo, its peak over the noise's rms. ``gain_db`` raises
    signal and noise. ``jitter_us``: rms of the trigger, one draw a record. ``coupling_db``: rms of
    the loss of coupling, one draw a record, never a gain. ``lost``: share of records without any.
    """

    snr_db: float = 40.0
    seed: int = 0
    frequency_mhz: float = 5.0
    bandwidth: float = 0.6
    phase_deg: float = 0.0
    delay_us: float = 0.64
    sample_rate_mhz: float = 100.0
    bits: int = 12
    gain_db: float = 0.0
    jitter_us: float = 0.0
    coupling_db: float = 0.0
    lost: float = 0.0


def stored_responses(kind: str) -> Responses:
    """Return what is stored of ``contact``, ``line`` or ``dual``."""
    return transfer.load(DATA / f"plane_{kind}.npz")


def chosen(kept: Responses, which: NDArray[np.bool_] | NDArray[np.intp]) -> Responses:
    """Return some of the responses."""
    names = ("codes", "scale", "groups", "truth_mm", "x_mm", "bare_codes", "bare_scale")
    return dataclasses.replace(kept, **{name: getattr(kept, name)[which] for name in names})


def group(kept: Responses, name: str) -> Responses:
    """Return the responses of one wall or set-up."""
    return chosen(kept, kept.groups == name)


def flat_steps(kept: Responses) -> Responses:
    """Return the flat walls to calibrate on."""
    if kept.kind != "dual":
        return group(kept, "steps")
    known = np.isin(kept.truth_mm[:, 0], plane_dual.STEPS_MM)
    return chosen(kept, known & (kept.groups == AS_CALIBRATED))


def pulse_spectrum(receiver: Receiver, frequency_mhz: Floats) -> NDArray[np.complex128]:
    """Return the spectrum of a Gaussian pulse, its middle ``delay_us`` late.

    ``bandwidth`` is the full width at half amplitude over the centre (a Gaussian's width: exact).
    """
    width = 0.5 * receiver.bandwidth * receiver.frequency_mhz / np.sqrt(2.0 * np.log(2.0))
    size = np.exp(-0.5 * ((frequency_mhz - receiver.frequency_mhz) / width) ** 2)
    turned = np.deg2rad(receiver.phase_deg) - 2.0 * np.pi * frequency_mhz * receiver.delay_us
    return np.asarray(size * np.exp(1j * turned))


def pulsed(responses: Floats, receiver: Receiver, late_us: Floats | float = 0.0) -> Floats:
    """Return what pulses leave at the receiver's rate, shape (n, samples), from `START_US` on."""
    # Nothing follows the record for a while, so that what a pulse makes late does not come round.
    n, samples = responses.shape
    longer = samples + round(ROOM_US * transfer.RATE_MHZ)
    frequency: Floats = np.fft.rfftfreq(longer, 1.0 / transfer.RATE_MHZ).astype(np.float64)
    late = np.broadcast_to(np.asarray(late_us, np.float64), n)[:, None]
    turned = pulse_spectrum(receiver, frequency) * np.exp(-2j * np.pi * frequency * late)
    spectrum = np.fft.rfft(responses, longer) * turned
    wanted = round(longer / transfer.RATE_MHZ * receiver.sample_rate_mhz)
    made = np.fft.irfft(spectrum, wanted) * (wanted / longer)
    return np.asarray(made[:, : round(samples / transfer.RATE_MHZ * receiver.sample_rate_mhz)])


def reference(kept: Responses, receiver: Receiver) -> float:
    """Return the height of the echo that the gain is set by: of the thinnest step but one."""
    steps = flat_steps(kept)
    one = chosen(steps, np.argsort(steps.truth_mm[:, 0])[1:2])
    late = LATE_US[kept.kind]
    heard, bare = one.signals()
    signal = pulsed(heard - bare, receiver)[0]
    time = transfer.START_US + np.arange(signal.size) / receiver.sample_rate_mhz
    return float(np.abs(signal[time > late + receiver.delay_us]).max())


def records(some: Responses, receiver: Receiver, all_of_it: Responses | None = None) -> Records:
    """Return digitised records.

    Parameters
    ----------
    some : Responses
        As chosen from what is stored.
    receiver : Receiver
    all_of_it : Responses, optional
        What is stored: the height of its steps' echo is `HEIGHT` at a gain of 0 dB. Not
        needed where ``some`` holds the steps.
    """
    rng = np.random.default_rng(receiver.seed)
    n = len(some.codes)
    lost_db = np.abs(rng.standard_normal(n)) * receiver.coupling_db
    share = np.where(rng.random(n) < receiver.lost, 0.0, 10.0 ** (-lost_db / 20.0))
    late = receiver.jitter_us * rng.standard_normal(n)
    heard, bare = some.signals()
    signal = pulsed(bare + share[:, None] * (heard - bare), receiver, late)
    height = HEIGHT[some.kind]
    signal *= height / reference(all_of_it or some, receiver)
    noise = height * 10.0 ** (-receiver.snr_db / 20.0)
    signal += noise * rng.standard_normal(signal.shape)
    gain = 10.0 ** (receiver.gain_db / 20.0)
    return Records(
        codes=digitised(signal * gain, full_scale=1.0, bits=receiver.bits),
        sample_rate_mhz=receiver.sample_rate_mhz,
        bits=receiver.bits,
        start_us=np.full(n, transfer.START_US),
        axis_mm=some.truth_mm[:, 0],
        mean_mm=some.truth_mm[:, 1],
        least_mm=some.truth_mm[:, 2],
        truth_u_mm=plane_rasters.TRUTH_U_MM,
        x_mm=some.x_mm,
        y_mm=np.zeros(n),
        columns={
            "gain_db": np.full(n, receiver.gain_db),
            "coupling": share,
            "late_us": late,
        },
    )
