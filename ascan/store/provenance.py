"""What a file remembers of how it came to be: versions, time, and digests of what went in."""

from __future__ import annotations

import dataclasses
import hashlib
import importlib.metadata
import platform
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np

from ascan.kernels.arrays import AnyArray
from ascan.waveform.scan import RowSource, Scan

PROVENANCE_VERSION = 1
BLOCK = 2048


def writer() -> str:
    """Return name and version of what writes."""
    return f"ascan {importlib.metadata.version('ascan')}"


def software() -> dict[str, str]:
    """Return the versions of all that a number depends on."""
    packages = ("ascan", "numpy", "scipy", "numba", "h5py")
    return {"python": platform.python_version()} | {
        name: importlib.metadata.version(name) for name in packages
    }


def now() -> str:
    """Return the time, UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


@dataclass(slots=True)
class DigestingRows:
    """Rows of another source, hashed as they are read once from first to last."""

    source: RowSource
    digest: Any = field(default_factory=hashlib.sha256)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""
        return self.source.shape

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of a sample."""
        return self.source.dtype

    def read_block(self, start: int, stop: int) -> AnyArray:
        """Return rows start..stop, and take them into the digest (little-endian)."""
        block = self.source.read_block(start, stop)
        self.digest.update(block.astype(block.dtype.newbyteorder("<"), copy=False))
        return block


def waveforms_digest(scan: Scan) -> str:
    """Return the SHA-256 of a scan's waveforms, as the readings of it keep it."""
    rows = DigestingRows(scan.rows)
    for _ in dataclasses.replace(scan, rows=rows).blocks(BLOCK):
        pass
    return str(rows.digest.hexdigest())


def array_digest(values: AnyArray) -> str:
    """Return the SHA-256 of an array's bytes, little-endian."""
    stored = np.ascontiguousarray(values, values.dtype.newbyteorder("<"))
    return hashlib.sha256(stored.tobytes()).hexdigest()


class ColumnsDigest:
    """SHA-256 over named columns that arrive a block at a time, whatever the size of the blocks."""

    def __init__(self) -> None:
        self._columns: dict[str, Any] = {}

    def add(self, columns: Mapping[str, AnyArray]) -> None:
        """Take a block of every column into the digest."""
        for name, values in columns.items():
            one = self._columns.setdefault(name, hashlib.sha256(values.dtype.kind.encode()))
            if values.dtype.kind in "US":
                one.update("\0".join([*map(str, values.tolist()), ""]).encode())
            else:
                one.update(values.astype(values.dtype.newbyteorder("<"), copy=False).tobytes())

    def hexdigest(self) -> str:
        """Return the digest of all columns, names included."""
        whole = hashlib.sha256()
        for name in sorted(self._columns):
            whole.update(f"{name}={self._columns[name].hexdigest()};".encode())
        return whole.hexdigest()
