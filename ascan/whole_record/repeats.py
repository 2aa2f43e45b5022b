"""The path's second trip: sound that has come back is reflected by the probe and runs it all again.

With S sent out and H what path and wall send back, the first trip is S H and the second one
face · S H²: the first trip convolved with itself, and with a filter face / S that belongs to the
probe alone. All that comes before the repeat tells all of it, whatever the wall is: the repeat of
the interface echo, every back-wall echo that follows it twice as high, and theirs in turn. So it is
taken off the record, and the next trip is where a fit must end. Diffraction of the second trip
counts as that of the first one twice over; by how much it is not, the filter learns at the path's
usual length.
"""

from __future__ import annotations

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray

# The filter says nothing outside the pulse's band: this part of the largest on the diagonal.
RIDGE = 1e-5
# A record's beginning jitters by no more samples than that.
MOST_SHIFT = 2.0


def begins(
    place: FloatArray | float, emitted: FloatArray | float, trips: int, before: int
) -> IntArray:
    """Return the sample at which an interface echo's pulse begins that has run so many trips more.

    ``place`` is the interface echo's own, in samples, ``emitted`` where the pulse left, ``before``
    by how much a pulse begins before its place.
    """
    return np.asarray((1 + trips) * place - trips * emitted).astype(np.int64) - before


def twice(first: FloatArray, emitted: float, samples: int) -> FloatArray:
    """Return the first trip convolved with itself, at the record's own samples.

    Parameters
    ----------
    first : ndarray, shape (n,)
        Samples from the record's first on, 0 outside the first trip.
    emitted : float
        Sample at which the pulse leaves the probe; may lie before the record.
    samples : int
        How many are wanted.
    """
    room = max(2 * first.size, samples) + int(abs(emitted)) + 2
    transform = next_fast_len(room, real=True)
    spectrum = rfft(first, transform) ** 2
    spectrum *= np.exp(2j * np.pi * np.fft.rfftfreq(transform) * emitted)
    return np.asarray(irfft(spectrum, transform)[:samples])


def laid(again: FloatArray, taps: int, first: int, last: int) -> FloatArray:
    """Return ``again`` moved by each of a filter's taps, between two samples: (last - first, taps).

    The filter's middle tap moves it by nothing.
    """
    half = taps // 2
    padded = np.pad(again, (half, half))
    windows = np.lib.stride_tricks.sliding_window_view(padded, taps)
    return np.asarray(windows[first:last, ::-1])


def second_trip(
    first: FloatArray, taps: FloatArray, emitted: float, begin: int, end: int
) -> FloatArray:
    """Return the second trip between two samples of the record."""
    return np.convolve(twice(first, emitted, end + taps.size), taps, "same")[begin:end]


def told_by(samples: FloatArray, again: FloatArray, own: FloatArray) -> tuple[float, float]:
    """Return how many times as high a second trip is as taken, and by how much later it left.

    Twice the gain doubles the first trip and its own product fourfold; where the record's beginning
    jitters, that product moves twice as far. So both are each record's own. Later in samples.

    Parameters
    ----------
    samples, again : ndarray, shape (n,)
        What was heard, and the second trip as taken.
    own : ndarray, shape (columns, n)
        What the record holds besides.
    """
    columns = np.concatenate([again[None], np.gradient(again)[None], own])
    size, moved = np.linalg.lstsq(columns.T, samples, rcond=1e-6)[0][:2]
    if not size > 0.0:
        return 0.0, 0.0
    return float(size), float(np.clip(moved / size, -MOST_SHIFT, MOST_SHIFT))


def filter_of(
    systems: list[tuple[FloatArray, FloatArray, FloatArray]],
) -> tuple[FloatArray, FloatArray]:
    """Return the filter that explains second trips, and what it leaves of each, rms.

    Parameters
    ----------
    systems : list of (samples, moved, own)
        Of each record: shape (n,), (n, taps), and what it holds besides, (own, n).
    """
    taps = systems[0][1].shape[1]
    matrix, right, rest = np.zeros((taps, taps)), np.zeros(taps), []
    for samples, moved, own in systems:
        q = np.linalg.qr(own.T)[0]
        moved, samples = moved - q @ (q.T @ moved), samples - q @ (q.T @ samples)
        matrix += moved.T @ moved
        right += moved.T @ samples
        rest.append((samples, moved, max(samples.size - own.shape[0], 1)))
    matrix[np.diag_indices(taps)] += RIDGE * np.diag(matrix).max()
    found = np.asarray(np.linalg.solve(matrix, right), np.float64)
    left = [np.sqrt(np.sum((y - x @ found) ** 2) / free) for y, x, free in rest]
    return found, np.array(left)


def first_trip(
    record: AnyArray, zero: float, clips: tuple[float, float], begin: int, second: int
) -> FloatArray | None:
    """Return a record's first trip from its first sample on; None where it clips."""
    heard = record[begin:second]
    if np.any((heard <= clips[0]) | (heard >= clips[1])):
        return None
    first = np.zeros(second)
    first[begin:] = heard - zero
    return first
