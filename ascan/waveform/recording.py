"""How the samples of a waveform are to be read: rate, zero, full scale, clipping, form."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, TypedDict, Unpack

import numpy as np

from ascan.base.errors import fault
from ascan.base.tables import checked_number

STORED_TYPES = ("int8", "uint8", "int16", "uint16", "int32", "float32", "float64")


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """How the samples of a waveform are to be read: rate, zero, full scale, clipping, form.

    Attributes
    ----------
    full_scale : float
        Codes from zero to the top rail; an amplitude of 1 means this many codes.
    zero_code : float
        Code that stands for zero (128 where unsigned bytes hold a two-sided signal).
    clip_low, clip_high : float
        Codes at and beyond which a sample counts as clipped.
    step : float
        Size of one quantisation step in codes (1 for integers; the rounding of a float32 at full
        scale for floating point), so that no noise level is ever 0.
    rectified : bool
        Whether the signal was rectified before it was stored.
    peak_held : bool
        Whether each stored value is the largest of several samples of the rectified signal.
    gated_only : bool
        Whether only what lay in the instrument's gate was stored: the rest is missing or blank.
    """

    dtype: str
    sample_rate_mhz: float
    full_scale: float
    zero_code: float
    clip_low: float
    clip_high: float
    step: float
    rectified: bool
    peak_held: bool
    gated_only: bool

    @property
    def codes(self) -> Codes:
        """What its codes mean, for compiled loops."""
        clips = (float(self.clip_low), float(self.clip_high))
        return Codes(float(self.zero_code), clips, float(self.step))


class Codes(NamedTuple):
    """Code of zero, clipping levels, and one quantisation step, for compiled loops."""

    zero: float
    clips: tuple[float, float]
    step: float


class Meaning(TypedDict, total=False):
    """What stored samples mean, as far as it is known: see `Recording`."""

    full_scale: float | None
    zero_code: float | None
    clip_low: float | None
    clip_high: float | None
    rectified: bool
    peak_held: bool
    gated_only: bool


LEVELS = ("full_scale", "zero_code", "clip_low", "clip_high")
FORMS = ("rectified", "peak_held", "gated_only")
MEANING = (*LEVELS, *FORMS)


def check_meaning(meaning: Mapping[str, Any], place: str) -> None:
    """Refuse an argument that `recording_for` does not know."""
    for key in meaning:
        if key not in MEANING:
            raise fault(place, f"unknown argument '{key}'", allowed=", ".join(MEANING))


def recording_for(
    dtype: np.dtype[Any], *, sample_rate_mhz: float, **meaning: Unpack[Meaning]
) -> Recording:
    """Return a `Recording`, what is not given (see `Meaning`) taken from the stored type.

    Unsigned types hold a two-sided signal round the middle code unless it is rectified; full scale
    is then half of the codes, and all of them where the signal is one-sided. Integers clip at the
    last codes of their full scale. Floating point clips at ± full scale if that is given; without
    it full scale is 1 and nothing is known of clipping, so none is judged. A peak-held signal is a
    rectified one.

    Raises
    ------
    AscanError
        A stored type that is not read, or a value outside its limits.
    """
    check_meaning(meaning, "recording")
    name = dtype.newbyteorder("=").name
    if name not in STORED_TYPES:
        raise fault(
            "waveforms",
            f"are stored as {name}",
            allowed=", ".join(STORED_TYPES),
            remedy="convert them to one of these without scaling",
        )
    rate = checked_number(sample_rate_mhz, "sample_rate_mhz", above=0.0, most=1e5)
    peak_held = bool(meaning.get("peak_held"))
    rectified = bool(meaning.get("rectified") or peak_held)
    zero, full = _type_defaults(dtype, rectified)
    zero_code, full_scale = meaning.get("zero_code"), meaning.get("full_scale")
    if zero_code is not None:
        zero = checked_number(zero_code, "zero_code")
    if full_scale is not None:
        full = checked_number(full_scale, "full_scale", above=0.0, most=1e30)
    low, high = _rails(dtype, zero, full, is_known=full_scale is not None)
    clip_low, clip_high = meaning.get("clip_low"), meaning.get("clip_high")
    low = -math.inf if rectified else low
    low = low if clip_low is None else _clip_level(clip_low, "clip_low")
    high = high if clip_high is None else _clip_level(clip_high, "clip_high")
    if not low < high:
        raise fault(
            "clip_low",
            f"is {low:g}, clip_high is {high:g}",
            allowed="clip_low below clip_high",
        )
    step = 1.0 if dtype.kind in "iu" else full * float(np.finfo(np.float32).eps)
    return Recording(
        dtype=name,
        sample_rate_mhz=rate,
        full_scale=full,
        zero_code=zero,
        step=step,
        rectified=rectified,
        peak_held=peak_held,
        gated_only=bool(meaning.get("gated_only")),
        clip_low=low,
        clip_high=high,
    )


def _rails(
    dtype: np.dtype[Any], zero: float, full: float, *, is_known: bool
) -> tuple[float, float]:
    """Return the codes at which a stored type clips; ``is_known``: whether its full scale is."""
    if dtype.kind in "iu":
        # A full scale beyond the type's own codes still clips at the type's rails.
        rails = np.iinfo(dtype)
        return max(zero - full, float(rails.min)), min(zero + full - 1.0, float(rails.max))
    return (zero - full, zero + full) if is_known else (-math.inf, math.inf)


def _clip_level(value: Any, place: str) -> float:
    """Return a clipping level; an infinite one says that nothing clips there."""
    if value in (math.inf, -math.inf):
        return float(value)
    return checked_number(value, place)


def _type_defaults(dtype: np.dtype[Any], rectified: bool) -> tuple[float, float]:
    """Return the zero code and full scale of a stored type about which nothing else is said."""
    if dtype.kind == "f":
        return 0.0, 1.0
    codes = 2.0 ** (8 * dtype.itemsize)
    if dtype.kind == "i":
        return 0.0, codes / 2.0
    return (0.0, codes) if rectified else (codes / 2.0, codes / 2.0)
