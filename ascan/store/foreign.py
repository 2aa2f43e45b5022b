"""Waveforms in files of other programs: arrays, text, raw bytes; what they mean is stated."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ascan.base.errors import file_fault as fault
from ascan.base.given import is_file, path_given
from ascan.kernels.arrays import FloatArray
from ascan.store.foreign_arrays import (
    DatasetRows,
    Found,
    axes_of,
    hdf5_rows,
    mat_rows,
    rows_in,
)
from ascan.store.foreign_columns import table_of
from ascan.store.foreign_layout import ROWS_FIRST, USES, ForeignLayout
from ascan.store.foreign_text import grid_of
from ascan.store.scans import UNREADABLE
from ascan.store.sidecar import load_sidecar, meant_by
from ascan.waveform.recording import MEANING, STORED_TYPES, check_meaning, recording_for
from ascan.waveform.scan import ArrayRows, Scan

# A rate by printed times, and one that is stated, may differ by so much of it.
RATES_ALIKE = 1e-3
ENDINGS = {".mat": "mat", ".csv": "text", ".txt": "text"}


def read_foreign(
    path: str | Path,
    layout: ForeignLayout | None = None,
    *,
    sample_rate_mhz: float | None = None,
    start_time_us: float | Sequence[float] | FloatArray | None = None,
    columns: Mapping[str, Any] | None = None,
    sidecar: str | Path | None = None,
    **meaning: Any,
) -> Scan:
    r"""Return the waveforms of a file that another program wrote.

    HDF5, ``.npy`` and raw bytes are read a block at a time as they are needed; text and ``.mat``
    are held in memory. Nothing is scaled, nothing is unpickled, and no other file is followed.

    Parameters
    ----------
    path : str or Path
        NumPy, text, MATLAB, HDF5 or raw binary; which one, its content shows, or the layout says.
    layout : ForeignLayout, optional
        How the waveforms lie in the file, where the file does not show it.
    sample_rate_mhz : float, optional
        Samples per µs; needed where neither a time column nor the sidecar tells it.
    start_time_us : float or ndarray, shape (rows,), optional
        Time of sample 0 after the transmit pulse, in µs; without it the file's own, else 0.
    columns : mapping, optional
        One value per waveform under each name.
    sidecar : str or Path, optional
        TOML that states the sample rate, the start, the meaning of codes, the gain
        (`ascan.store.sidecar`). A text file may hold the same in its comments. What the caller
        states goes before the sidecar, that before the file.
    **meaning
        As for `Scan.from_array`.

    Returns
    -------
    scan : Scan

    Raises
    ------
    AscanError
        The file is not as described; the sentence says where.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "two.txt"
    >>> _ = file.write_text("0 9 -8 7 -6 5 -4 3\n0 8 -7 6 -5 4 -3 2\n")
    >>> layout = ForeignLayout(dtype="int8")
    >>> read_foreign(file, layout, sample_rate_mhz=50.0)
    <Scan 'two.txt': 2 waveforms of 8 samples, int8, 50 MHz>
    """
    file = path_given(path)
    if not is_file(file):
        raise fault(str(path), "is no file")
    if not file.stat().st_size:
        raise fault(str(path), "is empty")
    check_meaning(meaning, str(path))
    layout = layout or ForeignLayout()
    kind = _kind_of(file, layout.kind)
    _refuse_idle(layout, kind, str(path))
    found = READERS[kind](file, layout)
    rows, meant = found.rows, dict(found.meant)
    try:
        beside = load_sidecar(sidecar) if sidecar else {}
        if sample_rate_mhz is None:
            sample_rate_mhz = beside.get("sample_rate_mhz")
        rate = _rate(meant, sample_rate_mhz, str(path))
        meant |= beside
        name = rows.dtype.name
        if name not in STORED_TYPES:
            raise fault(
                str(path),
                f"holds samples of type {name}",
                allowed=", ".join(STORED_TYPES),
                remedy="convert them to one of these without scaling",
            )
        stated = {k: v for k, v in meaning.items() if v is not None and v is not False}
        of_all = {key: meant[key] for key in MEANING if key in meant} | stated
        recording = recording_for(rows.dtype, sample_rate_mhz=rate, **of_all)
        own = dict(found.columns)
        start = own.pop("start_us", meant.get("start_us", 0.0))
        if "gain_db" in meant:
            own = {"gain_db": np.full(rows.shape[0], float(meant["gain_db"]))} | own
        times = np.asarray(start if start_time_us is None else start_time_us)
        return Scan(rows, recording, times, {**own, **(columns or {})}, file.name)
    except BaseException:
        if isinstance(rows, DatasetRows):
            rows.close()
        raise


def _kind_of(path: Path, stated: str) -> str:
    """Return the kind of a file: stated, or as its first bytes or its ending show it."""
    if stated not in ("", "mat"):
        return stated
    # A .mat file of version 7.3 is an HDF5 file.
    if h5py.is_hdf5(str(path)):
        return "hdf5"
    with path.open("rb") as file:
        head = file.read(6)
    if head.startswith(b"PK"):
        raise fault(str(path), "is an archive", remedy="a .npz scan needs no import")
    kind = stated or ("npy" if head == b"\x93NUMPY" else ENDINGS.get(path.suffix.lower(), ""))
    if not kind:
        raise fault(
            str(path),
            "does not show what it is",
            allowed=", ".join(USES),
            remedy="state its kind (--kind)",
        )
    return kind


def _rate(meant: Mapping[str, Any], stated: float | None, place: str) -> float:
    """Return the sample rate that is stated, or that the file shows."""
    shown = meant.get("sample_rate_mhz")
    if stated is None and shown is None:
        raise fault(
            place,
            "does not say how many samples are in a µs",
            remedy="state sample_rate_mhz (--sample-rate-mhz), or name its time column",
        )
    if stated is None:
        return float(meant["sample_rate_mhz"])
    if shown is not None and abs(float(stated) / float(shown) - 1.0) > RATES_ALIKE:
        raise fault(
            place,
            f"has {shown:g} samples in a µs by its own time, and {stated:g} are stated",
            remedy="one of them is wrong: mend it",
        )
    return float(stated)


def _refuse_idle(layout: ForeignLayout, kind: str, place: str) -> None:
    """Refuse what is stated of a layout but has no meaning for the kind of file."""
    for field in dataclasses.fields(layout):
        if field.name in ("kind", *USES[kind]) or not getattr(layout, field.name):
            continue
        raise fault(
            place,
            f"is read as {kind}, of which '{field.name}' says nothing",
            allowed=", ".join(USES[kind]),
            remedy="leave it out, or state another kind",
        )


def _npy_rows(path: Path, layout: ForeignLayout) -> Found:
    try:
        # Copy on write: the file stays as it is, whatever is done to a block.
        array = np.lib.format.open_memmap(path, mode="c")
    except UNREADABLE as problem:
        raise fault(str(path), f"cannot be read as .npy ({problem})") from None
    return rows_in(array, axes_of(array.shape, layout.order, str(path), assume=ROWS_FIRST))


def _text_rows(path: Path, layout: ForeignLayout) -> Found:
    grid = grid_of(path, layout.delimiter, layout.skip_lines)
    table = table_of(grid, layout, path)
    meant = meant_by(grid.comments)
    if table.clock is not None:
        meant |= {"sample_rate_mhz": table.clock.rate_mhz, "start_us": table.clock.start_us}
    samples = table.samples
    if samples.shape[1] == 1 and not table.columns:
        samples = samples.T
    return Found(ArrayRows(samples), table.columns, meant)


def _binary_rows(path: Path, layout: ForeignLayout) -> Found:
    """Return rows of a stated layout that the file holds a whole number of."""
    if not layout.dtype or not layout.samples:
        raise fault(str(path), "is read as binary", remedy="state dtype and samples")
    order = ">" if layout.byte_order == "big" else "<"
    sample = np.dtype(order + np.dtype(layout.dtype).str[1:])
    stride = layout.row_header_bytes + layout.samples * sample.itemsize
    size = path.stat().st_size
    count, over = divmod(size - layout.skip_bytes, stride)
    if count < 1 or over:
        raise fault(
            str(path),
            f"holds {size} bytes: {layout.skip_bytes} to skip, {max(count, 0)} rows of {stride} "
            f"bytes, and {over if count >= 0 else 0} bytes over",
            remedy="check dtype, samples, skip_bytes and row_header_bytes",
        )
    row = np.dtype(
        {
            "names": ["samples"],
            "formats": [(sample, (layout.samples,))],
            "offsets": [layout.row_header_bytes],
            "itemsize": stride,
        }
    )
    rows = np.memmap(path, dtype=row, mode="c", offset=layout.skip_bytes, shape=(count,))
    return Found(ArrayRows(rows["samples"]))


READERS: dict[str, Callable[[Path, ForeignLayout], Found]] = {
    "npy": _npy_rows,
    "text": _text_rows,
    "mat": lambda path, layout: mat_rows(path, layout.dataset, layout.order),
    "hdf5": lambda path, layout: hdf5_rows(path, layout.dataset, layout.order),
    "binary": _binary_rows,
}
