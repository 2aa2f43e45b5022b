"""A job: one folder whose files the commands find, and what is to be known about it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from pathlib import Path

from ascan.base.errors import file_fault as fault
from ascan.base.given import toml_of, written_text
from ascan.base.tables import from_table, number, text, unknown_key

FILE = "job.toml"
# Where each thing lies in a job's folder; options override it.
PROCEDURE, CALIBRATION, SERIES = "procedure.toml", "calibration.h5", "checks.json"
SCANS, READINGS, PAGES = "scans", "readings", "pages"


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """What an auditor asks of a job; all free text, nothing of it changes a value.

    ``personnel_level`` is a qualification, ``operator`` a reference of the firm's own: no names.
    """

    component: str = text("")
    location: str = text("")
    order: str = text("")
    procedure_number: str = text("")
    procedure_revision: str = text("")
    governing_code: str = text("")
    operator: str = text("")
    personnel_level: str = text("")
    instrument: str = text("")
    probe_serial: str = text("")
    couplant: str = text("")
    surface: str = text("")
    remarks: str = text("")

    def as_texts(self) -> dict[str, str]:
        """Return what is stated."""
        stated = dataclasses.asdict(self)
        return {name.replace("_", " "): value for name, value in stated.items() if value}


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """How the surface is to be scanned and judged; what is left out is found or not reckoned.

    Attributes
    ----------
    x_from_mm, x_to_mm, y_from_mm, y_to_mm : float, optional
        The ground to be covered; all four or none.
    index_mm : float, optional
        Planned distance between positions.
    beam_mm : float, optional
        Diameter of the beam, by which coverage is reckoned.
    cell_mm : float, optional
        Side of a map's cell; the pitch of the positions by default.
    limit_mm, second_limit_mm : float, optional
        Thicknesses below which area is reckoned.
    outside_diameter_mm : float, optional
        Of a pipe, to be unrolled.
    """

    x_from_mm: float | None = number(None)
    x_to_mm: float | None = number(None)
    y_from_mm: float | None = number(None)
    y_to_mm: float | None = number(None)
    index_mm: float | None = number(None, above=0.0)
    beam_mm: float | None = number(None, above=0.0)
    cell_mm: float | None = number(None, above=0.0)
    limit_mm: float | None = number(None, above=0.0)
    second_limit_mm: float | None = number(None, above=0.0)
    outside_diameter_mm: float | None = number(None, above=0.0)

    def __post_init__(self) -> None:
        stated = [value is not None for value in self.corners_mm]
        if any(stated) and not all(stated):
            raise fault("survey", "states some corners of the ground", allowed="all four, or none")

    @property
    def corners_mm(self) -> tuple[float | None, ...]:
        """From and to along x, from and to along y."""
        return (self.x_from_mm, self.x_to_mm, self.y_from_mm, self.y_to_mm)

    @property
    def limits_mm(self) -> tuple[float, ...]:
        """The limits that are stated."""
        return tuple(x for x in (self.limit_mm, self.second_limit_mm) if x is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job and where its files lie."""

    folder: Path
    title: str = "untitled"
    about: About = field(default_factory=About)
    survey: Survey = field(default_factory=Survey)

    def path(self, name: str) -> Path:
        """Return the path of a file of the job."""
        return self.folder / name


def load_job(folder: str | Path) -> Job:
    """Read a job's folder.

    Raises
    ------
    AscanError
        It holds no ``job.toml``, or one with an unknown or unfit key.
    """
    folder = Path(folder)
    path = folder / FILE
    if not path.is_file():
        raise fault(str(folder), f"holds no {FILE}", remedy=f"ascan job {folder}")
    table = toml_of(written_text(path), str(path))
    known = ["title", "about", "survey"]
    for key in table:
        if key not in known:
            raise unknown_key(str(path), key, table[key], known)
    title = table.get("title", "untitled")
    if not isinstance(title, str):
        raise fault(f"{path}: title", f"is {title!r}", allowed="text")
    return Job(
        folder=folder,
        title=title,
        about=from_table(About, table.get("about", {}), f"{path}: about"),
        survey=from_table(Survey, table.get("survey", {}), f"{path}: survey"),
    )


def job_here() -> Job | None:
    """Return the job whose folder is the current one, or None."""
    return load_job(".") if Path(FILE).is_file() else None
