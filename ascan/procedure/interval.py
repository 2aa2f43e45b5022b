"""Intervals: which times are taken from which.

ISO 16809:2017 clause 4 names the modes: 1, from the transmit pulse to the first back-wall echo;
2, from the surface (interface) echo to the back wall; 3, between successive back-wall echoes.
"""

from __future__ import annotations

from dataclasses import dataclass

from ascan.base.errors import fault
from ascan.base.tables import names, text

MODES = {
    "time_zero_to_echo": "transmit pulse to echo (ISO 16809 mode 1)",
    "interface_to_echo": "interface echo to back-wall echo (ISO 16809 mode 2)",
    "echo_to_echo": "between successive back-wall echoes (ISO 16809 mode 3)",
    "whole_record": "surface echo and all back-wall echoes of the record in one fit",
    "echo_to_converted": "back-wall echo to the one that ran one way as a transverse wave",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Mode, and the names of the gates whose echoes it is taken between, in order of arrival.

    ``diffraction`` says whether echo times are freed of it (`ascan.path.diffraction`).
    """

    mode: str = text(choices=tuple(MODES))
    gates: tuple[str, ...] = names()
    diffraction: str = text("none", choices=("none", "round_element"))

    def __post_init__(self) -> None:
        count = len(self.gates)
        wanted = {"time_zero_to_echo": (1, 1), "interface_to_echo": (2, 2), "echo_to_echo": (1, 32)}
        wanted["echo_to_converted"] = (2, 2)
        wanted["whole_record"] = (1, 2)
        least, most = wanted[self.mode]
        if not least <= count <= most or len(set(self.gates)) != count:
            allowed = f"{least} different gates" if least == most else f"{least} or more"
            raise fault(
                "interval.gates",
                f"names {count} ({', '.join(self.gates)})",
                allowed=f"{allowed} for {self.mode}",
            )
