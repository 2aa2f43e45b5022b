"""Waveforms in arrays that other programs wrote: which axis is which, and arrays found by name."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

import h5py
import numpy as np

from ascan.base.errors import file_fault as fault
from ascan.kernels.arrays import AnyArray, IntArray
from ascan.store import schema
from ascan.store.foreign_layout import ROWS_FIRST, SAMPLES_FIRST
from ascan.store.scans import UNREADABLE
from ascan.waveform.scan import ArrayRows, RowSource


class Found(NamedTuple):
    """Waveforms, what is known of each by columns, and what the file says of all (`MEANT`)."""

    rows: RowSource
    columns: Mapping[str, AnyArray] = MappingProxyType({})
    meant: Mapping[str, Any] = MappingProxyType({})


MOST_LISTED = 20
# What `scipy.io.whosmat` calls the arrays of numbers, and the type that each stands for.
NUMBERS = {f"{sign}int{bits}": f"{sign}int{bits}" for sign in ("", "u") for bits in (8, 16, 32, 64)}
NUMBERS |= {"single": "float32", "double": "float64"}


@dataclass(frozen=True, slots=True)
class Axes:
    """What the axes of an array stand for.

    Attributes
    ----------
    grid : tuple of int
        Lengths of the axes that number waveforms: none, one or two.
    samples : int
    samples_first : bool
        Whether the samples run along the first axis; else along the last.
    """

    grid: tuple[int, ...]
    samples: int
    samples_first: bool

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""
        return math.prod(self.grid), self.samples

    def index_columns(self) -> dict[str, IntArray]:
        """Return where each row stood in a grid of two axes; its number alone needs no column."""
        if len(self.grid) < 2:
            return {}
        return {f"index_{k}": index.ravel() for k, index in enumerate(np.indices(self.grid))}


def axes_of(shape: tuple[int, ...], order: str, place: str, *, assume: str = "") -> Axes:
    """Return what the axes of an array stand for.

    Parameters
    ----------
    shape : tuple of int
        Two axes of rows and one of samples at the most. An array that is long along one axis only
        is one waveform.
    order : str
        ``rows_first`` or ``samples_first``; "" where it is not stated.
    assume : str
        What an order that is not stated stands for; "" where it must be.

    Raises
    ------
    AscanError
        Another number of axes, or an order that is not stated.
    """
    if not 1 <= len(shape) <= 3:
        raise fault(place, f"has {len(shape)} axes", allowed="1 to 3: rows and samples")
    if not order and sum(length > 1 for length in shape) <= 1:
        return Axes((1,), math.prod(shape), samples_first=False)
    order = order or assume
    if not order:
        last, first = (f"{math.prod(part):d}" for part in (shape[:-1], shape[1:]))
        raise fault(
            place,
            f"has shape {shape}, and may hold {last} waveforms of {shape[-1]} samples "
            f"({ROWS_FIRST}) or {first} of {shape[0]} ({SAMPLES_FIRST})",
            remedy="state the order",
        )
    if order == SAMPLES_FIRST:
        return Axes(shape[1:] or (1,), shape[0], samples_first=True)
    return Axes(shape[:-1] or (1,), shape[-1], samples_first=False)


def rows_in(array: AnyArray, axes: Axes) -> Found:
    """Return the waveforms of an array in memory or mapped into it."""
    if axes.samples_first and array.ndim > 1:
        array = np.moveaxis(array, 0, -1)
    return Found(ArrayRows(array.reshape(axes.shape)), axes.index_columns())


@dataclass(frozen=True, slots=True)
class DatasetRows:
    """Waveforms of a dataset of any HDF5 file, read a block at a time, whatever its order."""

    item: h5py.Dataset
    axes: Axes

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""
        return self.axes.shape

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of a sample, in the machine's byte order."""
        native: np.dtype[Any] = self.item.dtype.newbyteorder("=")
        return native

    def close(self) -> None:
        """Close the file."""
        self.item.file.close()

    def read_block(self, start: int, stop: int) -> AnyArray:
        """Return rows start..stop, C-contiguous, in the machine's byte order."""
        block = np.empty((max(stop - start, 0), self.axes.samples), self.dtype)
        done = 0
        for where in self._parts(start, stop):
            with schema.sound(f"{self.item.file.filename}: {self.item.name}"):
                part = self.item[where]
            part = part.T if self.axes.samples_first else part
            part = part.reshape(-1, self.axes.samples)
            block[done : done + len(part)] = part
            done += len(part)
        return block

    def _parts(self, start: int, stop: int) -> Iterator[tuple[Any, ...]]:
        """Yield what to read of the dataset: of a grid of two axes, one line after another."""
        if self.axes.shape[0] == 1:
            yield (...,)
            return
        line = self.axes.grid[-1]
        for number in range(start // line, -(-stop // line)):
            begin, end = max(start - number * line, 0), min(stop - number * line, line)
            where: tuple[Any, ...] = (slice(begin, end),)
            if len(self.axes.grid) == 2:
                where = (number, *where)
            yield (slice(None), *where) if self.axes.samples_first else (*where, slice(None))


def hdf5_rows(path: Path, name: str, order: str) -> Found:
    """Return the waveforms of a dataset of an HDF5 file, which stays open.

    Raises
    ------
    AscanError
        No such dataset, several and none named, or one whose values lie in another file.
    """
    file = schema.open_hdf5(path)
    try:
        with schema.sound(str(path)):
            name = name or _only(_listed(file), str(path))
            *groups, last = [part for part in name.split("/") if part] or [name]
            group = file["/"]
            for part in groups:
                group = schema.subgroup(group, part, str(path))
            item = schema.dataset(group, last, str(path))
            axes = axes_of(item.shape, order, f"{path}: {item.name}")
            return Found(DatasetRows(item, axes), axes.index_columns())
    except BaseException:
        file.close()
        raise


def _listed(file: h5py.File) -> dict[str, str]:
    """Return shape and type of every array of numbers in a file; links are not followed."""
    found: dict[str, str] = {}

    def visit(name: str, item: Any) -> None:
        if isinstance(item, h5py.Dataset) and item.ndim and item.dtype.kind in "biufc":
            found[f"/{name}"] = f"{item.shape} {item.dtype}"

    file.visititems(visit)
    return found


def mat_rows(path: Path, name: str, order: str) -> Found:
    """Return the waveforms of a variable of a ``.mat`` file of version 5, read into memory.

    Raises
    ------
    AscanError
        No such file, no such variable, several and none named, or one that holds no numbers.
    """
    from scipy import io

    place = str(path)
    try:
        kinds = {found: (shape, kind) for found, shape, kind in io.whosmat(place, appendmat=False)}
    except (*UNREADABLE, TypeError) as problem:
        raise fault(place, f"cannot be read as .mat ({problem})") from None
    plain = {k: f"{shape} {kind}" for k, (shape, kind) in kinds.items() if kind in NUMBERS}
    name = name or _only(plain, place)
    if name not in kinds:
        raise fault(f"{place}: {name}", "is missing", allowed=_told(plain))
    if name not in plain:
        raise fault(f"{place}: {name}", f"is of type {kinds[name][1]}", allowed=_told(plain))
    try:
        array = io.loadmat(place, appendmat=False, variable_names=[name])[name]
    except (*UNREADABLE, TypeError) as problem:
        raise fault(f"{place}: {name}", f"cannot be read ({problem})") from None
    if array.dtype.kind != "c":
        # Whole numbers of a larger type may be packed into a smaller one.
        array = array.astype(NUMBERS[kinds[name][1]], copy=False)
    return rows_in(array, axes_of(array.shape, order, f"{place}: {name}"))


def _only(found: Mapping[str, str], place: str) -> str:
    """Return the name of the only array; several are listed in the error."""
    if not found:
        raise fault(place, "holds no array of numbers")
    if len(found) > 1:
        raise fault(
            place,
            f"holds {len(found)} arrays, and no dataset is named",
            allowed=_told(found),
            remedy="name one as the dataset",
        )
    return next(iter(found))


def _told(found: Mapping[str, str]) -> str:
    names = [f"{name} {what}" for name, what in found.items()]
    return ", ".join(names[:MOST_LISTED] + ["..."] * (len(names) > MOST_LISTED)) or "none"
