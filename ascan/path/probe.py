"""The probe of a procedure, and the pipe it may sit on."""

from __future__ import annotations

from dataclasses import dataclass

from ascan.base.errors import fault
from ascan.base.tables import number, text
from ascan.path.aperture import DualGeometry

ARRANGEMENTS = ("contact", "delay_line", "immersion", "dual")
# Probes that hear the wall's front.
SURFACED = frozenset({"delay_line", "immersion"})
# Velocity and density of what lies before the wall: the plastic of a delay line, or water.
PATH_MM_PER_US = {"immersion": 1.4824, "delay_line": 2.67}
PATH_G_PER_CM3 = {"immersion": 1.0, "delay_line": 1.18}


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """The probe: a calibration made with one serves no other.

    Attributes
    ----------
    name : str
        A calibration serves the probe that it was made with.
    arrangement : str
        ``contact``, ``delay_line``, ``immersion`` or ``dual`` (two elements on roofed wedges).
    frequency_mhz : float
        Nominal frequency; sets how far an echo reaches (one and a half periods).
    bandwidth_percent : float
        Nominal −6 dB bandwidth over the frequency; the shape of an echo before a calibration has
        learned it. 60 % is usual for the damped probes of this work (common practice).
    delay_us : float
        Nominal delay between the transmit trigger and the sound leaving the probe (for a dual
        probe: the element); places gates given in mm, and the repeats of the interface echo.
    element_diameter_mm : float, optional
        Of a round single element, for the diffraction correction.
    path_velocity_mm_per_us : float, optional
        Of the delay line or the water, for diffraction along it. Without it: water at 20 °C, or
        2.67 mm/µs (acrylic glass, ASTM E494 Table X3.1).
    wedge_height_mm, wedge_velocity_mm_per_us, roof_deg : float, optional
        Of a dual probe: from the middle of an element down to the surface; velocity in the wedge;
        tilt of the elements. Nominal values do: the calibration takes up their errors.
    element_width_mm, element_length_mm, element_gap_mm : float, optional
        Of a dual probe: across and along the barrier, and between the elements' inner edges.
    """

    name: str = text("unnamed")
    arrangement: str = text(choices=ARRANGEMENTS)
    frequency_mhz: float = number(least=0.01, most=200.0)
    bandwidth_percent: float = number(60.0, least=5.0, most=150.0)
    delay_us: float = number(0.0, least=0.0)
    element_diameter_mm: float | None = number(None, above=0.0, most=100.0)
    path_velocity_mm_per_us: float | None = number(None, above=0.1, most=10.0)
    wedge_height_mm: float | None = number(None, above=0.0, most=100.0)
    wedge_velocity_mm_per_us: float | None = number(None, above=0.5, most=7.0)
    roof_deg: float = number(0.0, least=0.0, most=30.0)
    element_width_mm: float | None = number(None, above=0.0, most=100.0)
    element_length_mm: float | None = number(None, above=0.0, most=100.0)
    element_gap_mm: float = number(0.5, least=0.0, most=100.0)

    @property
    def is_dual(self) -> bool:
        """Whether it has two elements, one that sends and one that hears."""
        return self.arrangement == "dual"

    @property
    def hears_interface(self) -> bool:
        """Whether an echo of the wall's front comes back through a delay line or water."""
        return self.arrangement in SURFACED

    def __post_init__(self) -> None:
        given = {name: getattr(self, name) for name in DUAL_KEYS}
        stated = [name for name, value in given.items() if value is not None]
        if stated and not self.is_dual:
            raise fault(
                f"probe.{stated[0]}", f"is given for a {self.arrangement} probe", allowed="dual"
            )
        if stated and len(stated) < len(given):
            lacking = ", ".join(name for name in given if name not in stated)
            raise fault(
                "probe",
                f"gives {', '.join(stated)} but not {lacking}",
                remedy="give all of them, or none",
            )

    @property
    def path_mm_per_us(self) -> float:
        """Velocity of what the sound runs through before the wall; 1 for a contact probe."""
        usual = PATH_MM_PER_US.get(self.arrangement, 1.0)
        return self.path_velocity_mm_per_us or usual

    @property
    def path_g_per_cm3(self) -> float:
        """Density of what the sound runs through before the wall; 1 for a contact probe."""
        return PATH_G_PER_CM3.get(self.arrangement, 1.0)

    def geometry(self) -> DualGeometry | None:
        """Return the nominal dimensions of a dual probe; None where they are not given."""
        if (
            self.wedge_height_mm is None
            or self.wedge_velocity_mm_per_us is None
            or self.element_width_mm is None
        ):
            return None
        return DualGeometry(
            height_mm=self.wedge_height_mm,
            velocity_mm_per_us=self.wedge_velocity_mm_per_us,
            roof_deg=self.roof_deg,
            width_mm=self.element_width_mm,
            length_mm=self.element_length_mm or self.element_width_mm,
            gap_mm=self.element_gap_mm,
        )


DUAL_KEYS = ("wedge_height_mm", "wedge_velocity_mm_per_us", "element_width_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pipe:
    """The pipe under a probe that sits on its outside.

    Two elements that straddle its crown read thin; a flat round element leaves a film beside it.

    Attributes
    ----------
    outside_diameter_mm : float
        Of the pipe.
    barrier : str
        Of a dual-element probe: ``across`` the pipe's axis (usual: both elements touch alike), or
        ``along`` it: then the elements straddle the crown, and the wall reads thin
        (`ascan.path.pipe`).
    """

    outside_diameter_mm: float = number(above=0.0)
    barrier: str = text("across", choices=("across", "along"))
