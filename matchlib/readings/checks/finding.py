"""What a check looks at and what it says: frozen types."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date

from matchlib.errors import Problem
from matchlib.facility.rooms import Instrument
from matchlib.readings.checks.evidence import Evidence
from matchlib.readings.session import Session

REFUSE, WARN, NOTE = "refuse", "warn", "note"
MEASURE_AGAIN = "measure the display again, or set the file aside with a reason"


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check says of one session.

    Attributes:
        check: Its name, in words.
        severity: ``refuse``: the session is not used; ``warn``: its figures may be wrong; ``note``: good to know.
        evidence: What was seen, with its numbers.
        advice: What to do.
        file: Of the session.
    """

    check: str
    severity: str
    evidence: str
    advice: str
    file: str = ""

    @property
    def problem(self) -> Problem:
        """The finding as an entry of the error family."""
        refused = "the session is refused: " if self.severity == REFUSE else ""
        return Problem(f"{refused}{self.evidence}", self.advice, self.file)


@dataclass(frozen=True, slots=True)
class Twin:
    """A file that holds the same table of readings as another.

    Attributes:
        mode: Of its session.
    """

    file: str
    display: str
    mode: str


@dataclass(frozen=True, slots=True, eq=False)
class Context:
    """What is known around a session; whatever is not known is left out, and its checks are silent.

    Attributes:
        instrument: That read it.
        panel: Technology of the display, as ``monitors.csv`` words it; ``projector`` for a screen.
        nominal_luminance: Peak white that the display is meant to have, cd/m².
        earlier: Other sessions of the same display, mode and preset, newest first.
        contact: Those of [[corrections]] in the same state that a contact instrument read: no room light in them.
        day: Of the session in the facility's time zone; ``adjusted``: when the display was last adjusted.
        twins: Other files that hold the same readings.
    """

    instrument: Instrument | None = None
    panel: str = ""
    nominal_luminance: float | None = None
    earlier: tuple[Session, ...] = ()
    contact: tuple[Session, ...] = ()
    day: date | None = None
    adjusted: date | None = None
    twins: tuple[Twin, ...] = ()


@dataclass(frozen=True, slots=True)
class Remark:
    """What a check says: severity, evidence and advice."""

    severity: str
    evidence: str
    advice: str = MEASURE_AGAIN


@dataclass(frozen=True, slots=True)
class Check:
    """A check: its name, and the function that looks at a session in its context."""

    name: str
    look: Callable[[Evidence, Context], Iterator[Remark]]
