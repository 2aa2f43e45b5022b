"""How waveforms lie in a file of another program, as the caller states it."""

from __future__ import annotations

import operator
from collections.abc import Mapping
from dataclasses import dataclass, field

from ascan.base.errors import file_fault as fault
from ascan.waveform.recording import STORED_TYPES

ROWS_FIRST, SAMPLES_FIRST = "rows_first", "samples_first"
# What of a layout each kind of file needs; anything else that is stated is a misunderstanding.
USES = {
    "npy": ("order",),
    "text": ("order", "dtype", "delimiter", "skip_lines", "columns", "drop"),
    "mat": ("dataset", "order"),
    "hdf5": ("dataset", "order"),
    "binary": ("dtype", "samples", "skip_bytes", "row_header_bytes", "byte_order"),
}
WORDS = {
    "kind": tuple(USES),
    "order": (ROWS_FIRST, SAMPLES_FIRST),
    "dtype": STORED_TYPES,
    "byte_order": ("little", "big"),
}
COUNTS = ("samples", "skip_bytes", "row_header_bytes", "skip_lines")


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignLayout:
    """How waveforms lie in a file of another program.

    Attributes
    ----------
    kind : str
        ``npy``, ``text``, ``mat``, ``hdf5`` or ``binary``; "" where the file shows it.
    dataset : str
        Path of the dataset (HDF5), name of the variable (``.mat``); "" for the only array.
    order : str
        ``rows_first``: a waveform lies along the last axis (a line of text); ``samples_first``:
        along the first (a column of text). HDF5 and ``.mat`` need it, for programs differ in which
        axis they write first; arrays of three axes give columns ``index_0`` and ``index_1``.
    dtype : str
        Stored type of a sample (binary), or to be given to it (text; float64).
    samples : int
        Samples in a row (binary).
    skip_bytes, row_header_bytes : int
        Bytes at the start, and before the samples of every row, that hold none (binary).
    byte_order : str
        ``little`` (the default) or ``big`` (binary).
    delimiter : str
        What stands between two cells (text); a blank for any number of blanks and tabs; "" where
        the lines show it.
    skip_lines : int
        Lines at the top that hold neither names nor waveforms (text).
    columns : mapping of str to str
        What columns are that their names do not tell (text): ``{"1": "x_mm", "Pos": "y_in"}``; a
        column without a name goes by its number.
    drop : tuple of str
        Columns that are left out (text).

    Examples
    --------
    >>> ForeignLayout(kind="binary", dtype="int16", samples=1000, row_header_bytes=16).order
    ''
    >>> ForeignLayout(order="columns")
    Traceback (most recent call last):
    ascan.base.errors.FileError: order: is 'columns'; allowed: rows_first, samples_first
    """

    kind: str = ""
    dataset: str = ""
    order: str = ""
    dtype: str = ""
    samples: int = 0
    skip_bytes: int = 0
    row_header_bytes: int = 0
    byte_order: str = ""
    delimiter: str = ""
    skip_lines: int = 0
    columns: Mapping[str, str] = field(default_factory=dict)
    drop: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name, choices in WORDS.items():
            word = getattr(self, name)
            if word and word not in choices:
                raise fault(name, f"is {word!r}", allowed=", ".join(choices))
        for name in COUNTS:
            count = getattr(self, name)
            try:
                object.__setattr__(self, name, operator.index(count))
            except TypeError:
                raise fault(name, f"is {count!r}", allowed="a whole number") from None
            if count < 0:
                raise fault(name, f"is {count}", allowed="0 or more")
        object.__setattr__(self, "columns", dict(self.columns))
        object.__setattr__(self, "drop", tuple(self.drop))
