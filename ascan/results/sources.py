"""What readings share an error of: each source with an identity, and what of it each reading has.

A reading is off by the sum over all sources of (error of the source) × (how far the reading follows
it). Two readings that share a source share its error: in their difference it cancels as far as both
follow it, in their mean it does not average out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import AnyArray, FloatArray

PREFIX, SUFFIX = "from_", "_mm"
# Name of a source -> what it is. A column from_<name>_mm holds, for each reading and signed, by how
# much it is off where the source is off by one standard uncertainty.
SOURCES = {
    "calibration": "the fit, where it is told as a whole: a file of an earlier version",
    "calibration_level": "the fit's line at the middle of its steps",
    "calibration_velocity": "the fit's velocity, about the middle of its steps",
    "calibration_curve": "the curve through the steps",
    "calibration_model": "the model of whole records",
    "lack_of_fit": "what the steps scatter by round the fit, beyond block and timing",
    "block": "an error that all steps of the block share, of its certificate for one",
    "component_velocity": "velocity of the component against the block's",
    "temperature_rule": "how velocity changes with temperature",
    "temperature": "temperature of component and block",
    "coating": "thickness and velocity of the coating",
    "pipe": "curvature of the pipe, as corrected for",
    "curvature": "curvature of the surface",
    "couplant": "film of couplant, component against block",
    "surface": "roughness under the probe, component against block",
}
# Column -> (unit, meaning), as for every other column of readings.
COLUMNS = {
    f"{PREFIX}{name}{SUFFIX}": ("mm", f"off by so much for one standard uncertainty of: {meaning}")
    for name, meaning in SOURCES.items()
}
# Identity of what belongs to one set of readings alone: it is never shared with another set.
OWN = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A source of error; two of one name and identity are the same.

    Attributes
    ----------
    name : str
        One of `SOURCES`.
    of : str
        Which one: a calibration by its digest, the component, a sensor; "" where no other set of
        readings has it.
    distribution : str
    freedom : float
        Degrees of freedom; 0 where it counts as exactly known.
    """

    name: str
    of: str = OWN
    distribution: str = field(default="normal", compare=False)
    freedom: float = field(default=0.0, compare=False)

    @property
    def column(self) -> str:
        """The column that holds what readings follow of it."""
        return f"{PREFIX}{self.name}{SUFFIX}"

    def to_table(self) -> dict[str, Any]:
        """Return it as it stands in the provenance of readings."""
        return {"of": self.of, "distribution": self.distribution, "freedom": self.freedom}


# By source: how far each reading follows it, in mm for one standard uncertainty, shape (n,).
Shared = Mapping[Source, FloatArray]


def shared_of(columns: Mapping[str, AnyArray], provenance: Mapping[str, Any]) -> dict[Source, Any]:
    """Return what readings share, by source.

    Parameters
    ----------
    columns : mapping of str to ndarray
        Of readings.
    provenance : mapping
        Theirs; its entry ``sources`` says whose error each column is of, for each channel apart
        where there are several.

    Notes
    -----
    Readings of earlier versions hold the sum of all they share, ``u_common_mm``: it is taken as one
    source of their calibration.
    """
    if "sources" not in provenance:
        digest = provenance.get("calibration", {}).get("digest")
        whole = Source(name="calibration", of="" if digest is None else f"calibration {digest}")
        return {whole: np.asarray(columns["u_common_mm"], np.float64)}
    out: dict[Source, Any] = {}
    for channel, told in provenance["sources"].items():
        rows = np.ones(len(columns["flags"]), np.bool_)
        if channel:
            rows = np.asarray(columns["channel"]) == int(channel)
        for name, table in told.items():
            source = Source(name=name, **table)
            follows = np.where(rows, columns[source.column], 0.0)
            out[source] = out[source] + follows if source in out else follows
    return out


def refuse_other_components(sets: Sequence[Mapping[str, Any]]) -> None:
    """Refuse sets of readings that are known to be of several components.

    Parameters
    ----------
    sets : sequence of mapping
        The provenance of each. Those that name no component may be of any.

    Raises
    ------
    AscanError
        Two of them name different ones.
    """
    named = list(dict.fromkeys(one["component"] for one in sets if one.get("component")))
    if len(named) > 1:
        raise fault(
            "readings",
            f"are of {' and of '.join(repr(name) for name in named)}",
            allowed="surveys of one component",
            remedy="compare those of one; if it is one by two names, measure again with one name "
            "as the procedure's 'component'",
        )


def combined(follows: Sequence[FloatArray]) -> FloatArray:
    """Return the root sum of squares of what is followed of several sources."""
    return np.asarray(np.sqrt(sum((one**2 for one in follows), np.zeros(1))))


def pairs(first: Shared, second: Shared) -> list[tuple[FloatArray, FloatArray]]:
    """Return what two sets of readings follow of every source: one of both, or of one alone.

    References
    ----------
    JCGM 100:2008, 5.2 and F.1.2.3: input quantities common to two results correlate them.
    """
    of_first, of_second = ({s: v for s, v in one.items() if s.of} for one in (first, second))
    none = np.zeros(1)
    both = [
        (of_first.get(source, none), of_second.get(source, none))
        for source in dict.fromkeys([*of_first, *of_second])
    ]
    alone = [(value, none) for source, value in first.items() if not source.of]
    return both + alone + [(none, value) for source, value in second.items() if not source.of]


def in_line(sets: Sequence[Shared], counts: Sequence[int]) -> dict[Source, FloatArray]:
    """Return what several sets of readings share, one after another, shape (sum of counts,)."""
    out: dict[Source, FloatArray] = {}
    ends = np.cumsum(counts)
    for number, (one, count, end) in enumerate(zip(sets, counts, ends, strict=True)):
        for source, follows in one.items():
            # What was a set's own stays its own among the others.
            key = source if source.of else Source(name=f"{source.name} of set {number}")
            whole = out.setdefault(key, np.zeros(int(ends[-1])))
            whole[end - count : end] = follows
    return out
