"""Who stands where: the frozen types of a facility."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo

from matchlib.encoding import Encoding, Pair
from matchlib.errors import Problem

ADJUSTABLE = ("luminance", "white", "gamma", "primaries")


@dataclass(frozen=True, slots=True)
class Tolerances:
    """What still counts as a match.

    Attributes:
        mean_difference: CIEDE2000, mean over the standard list.
        p95_difference: CIEDE2000, 95th percentile.
        white: Δu′v′.
        luminance: Relative difference of the peak.
        gamma: Difference of the exponents.
        rule: ``guarded`` (JCGM 106, guard band U), or ``simple``.
    """

    mean_difference: float = 2.0
    p95_difference: float = 5.0
    white: float = 0.003
    luminance: float = 0.06
    gamma: float = 0.10
    rule: str = "guarded"


@dataclass(frozen=True, slots=True)
class Projector:
    """A room's reference; a mode of one machine is an entry of its own.

    Attributes:
        veil: Light that pictures scatter back onto the screen and the session does not hold, cd/m².
    """

    id: str
    encoding: Encoding
    light: str = ""
    unit: str = ""
    kind: str = "projector"
    surround: str = "dark"
    veil: float = 0.0


@dataclass(frozen=True, slots=True)
class Room:
    """A room: its projector, how its monitors are judged, and in which light.

    Attributes:
        luminance: Working white, cd/m²; None in the match mode ``absolute``.
        veil: Room light reflected by the monitors' faces, cd/m², of chromaticity ``veil_xy``.
        reference: ``measured`` or ``nominal``.
        out_of_reach: ``clip`` or ``shrink``.
    """

    id: str
    projector: str
    match: str = "absolute"
    luminance: float | None = None
    surround: str = "dim"
    veil: float = 0.0
    veil_xy: Pair = (0.3127, 0.3290)
    reference: str = "measured"
    out_of_reach: str = "clip"
    common_target: bool = False
    tolerances: Tolerances = field(default_factory=Tolerances)


@dataclass(frozen=True, slots=True)
class Instrument:
    """A meter.

    Attributes:
        luminance: Relative expanded uncertainty (k = 2).
        xy: Expanded uncertainty of x and y (k = 2).
        floor: cd/m²; below it a reading is noise.
        contact: Whether it touches the screen, so that it does not see room light.
        common_xy: Share of the chromaticity error common to two displays.
    """

    id: str
    kind: str
    luminance: float
    xy: float
    floor: float
    contact: bool
    common_xy: float


@dataclass(frozen=True, slots=True)
class NativeLimits:
    """What a panel can show by its data sheet: peak and black in cd/m², primaries in CIE 1931 x, y."""

    peak_luminance: float
    black: float
    red_xy: Pair
    green_xy: Pair
    blue_xy: Pair


@dataclass(frozen=True, slots=True)
class Monitor:
    """A row of the inventory: a monitor and preset.

    Attributes:
        encoding: What it is fed; None: the projector's.
        adjusts: What its menu takes.
        line: Where the row begins; for messages.
        dims: ``signal`` (black stays) or ``backlight`` (black falls with the peak, down to ``dims_min``).
    """

    id: str
    room: str
    panel: str
    preset: str = ""
    encoding: Encoding | None = None
    adjusts: tuple[str, ...] = ADJUSTABLE
    dims: str = "signal"
    dims_min: float = 0.1
    hours: float | None = None
    hours_date: str = ""
    location: str = ""
    serial: str = ""
    adjusted: str = ""
    note: str = ""
    native: NativeLimits | None = None
    line: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class SetAside:
    """A session file that does not count, and why."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class Format:
    """Files that others wrote, and how to read them: an entry of ``[[formats]]``.

    Attributes:
        name: The entry's dotted name, for messages.
        files: Pattern of paths relative to the facility folder; braces give header keys.
        columns: Title in the file, or number from 1, of each of the session's columns; ``nm`` is a title with
            ``{}`` where the wavelength stands.
        keys: Header keys that hold for every such file.
        separator: Between cells; ``decimal``: the decimal mark.
        header_row: Line of the header row, from 1; 0: there is none, and columns are numbers.
        units_rows: Rows below the header row that hold units or further headings and are skipped.
        missing: Cells that mean "not read"; rows that need such a cell are left out, with a warning.
    """

    name: str
    files: str
    columns: Mapping[str, str | int]
    keys: Mapping[str, str]
    separator: str = ","
    decimal: str = "."
    text_encoding: str = "utf-8"
    header_row: int = 1
    units_rows: int = 0
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CorrectionPair:
    """Two sessions of one display, by an instrument and by the reference that corrects it.

    Attributes:
        session: File of the instrument's session, relative to the facility folder; likewise the reference's.
    """

    instrument: str
    session: str
    reference_session: str


@dataclass(frozen=True, slots=True)
class Facility:
    """Everything ``facility.toml`` and ``monitors.csv`` say, checked.

    Attributes:
        root: The facility folder, absolute.
        warnings: Guesses that were made and cells nobody knows.
        rows: Of the inventory, by monitor.
    """

    root: Path
    name: str
    time_zone: ZoneInfo
    projectors: Mapping[str, Projector]
    rooms: Mapping[str, Room]
    instruments: Mapping[str, Instrument]
    monitors: tuple[Monitor, ...]
    set_aside: tuple[SetAside, ...] = ()
    warnings: tuple[Problem, ...] = ()
    formats: tuple[Format, ...] = ()
    corrections: tuple[CorrectionPair, ...] = ()
    rows: Mapping[str, tuple[Monitor, ...]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        rows: dict[str, tuple[Monitor, ...]] = {}
        for monitor in self.monitors:
            rows[monitor.id] = (*rows.get(monitor.id, ()), monitor)
        object.__setattr__(self, "rows", rows)

    def monitors_of(self, room: str) -> tuple[Monitor, ...]:
        """Return a room's rows of the inventory, in its order."""
        return tuple(monitor for monitor in self.monitors if monitor.room == room)
