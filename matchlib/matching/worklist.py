"""The round of a day: which monitors to visit, and what each visit takes. Frozen types."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from matchlib.facility.rooms import Room
from matchlib.matching.due import DOUBT, MOVED, OUT, SOON, Reason, Rules, Standing, need_of
from matchlib.matching.result import Target
from matchlib.matching.visiting import WALK, WARM_UP, Readings, Tool, minutes_for

_SETS = (OUT, MOVED, SOON)  # reasons that new settings answer


@dataclass(frozen=True, slots=True, eq=False)
class Call:
    """A monitor to visit.

    Attributes:
        reasons: The weightiest first; at least one.
        light: In which the instrument is used.
        readings: None where the facility has no instrument.
    """

    standing: Standing
    reasons: tuple[Reason, ...]
    tool: Tool
    light: str
    readings: Readings | None

    @property
    def need(self) -> float:
        """How much the visit is needed."""
        return need_of(self.reasons)

    @property
    def target(self) -> Target | None:
        """What it is to be set to; None where it was not measured, or its readings are refused."""
        match = self.standing.match
        return None if match is None or self.standing.refused else match.set_to

    @property
    def sets(self) -> bool:
        """Whether it is set on this visit: new settings make it better, and a reason asks for them.

        Not where its readings are not believed, as where it was adjusted since: it is measured first.
        """
        match = self.standing.match
        if any(reason.kind == DOUBT for reason in self.reasons):
            return False
        asked = any(reason.kind in _SETS for reason in self.reasons)
        return self.target is not None and match is not None and match.adjust and asked

    @property
    def minutes(self) -> int:
        """Minutes at the monitor, warm-up and walking left out."""
        return minutes_for(self.readings, sets=self.sets)


@dataclass(frozen=True, slots=True, eq=False)
class RoomCalls:
    """A room's monitors to visit, the neediest first.

    Attributes:
        fault: Why the room cannot be judged, in words; empty where it can.
        doubts: What makes the screen's own readings doubtful, in words.
    """

    room: Room
    calls: tuple[Call, ...]
    fault: str = ""
    doubts: tuple[str, ...] = ()

    @property
    def minutes(self) -> int:
        """Minutes in the room: its monitors warm up side by side."""
        return WALK + WARM_UP + sum(call.minutes for call in self.calls) if self.calls else 0


@dataclass(frozen=True, slots=True, eq=False)
class Worklist:
    """The round of a day.

    Attributes:
        facility: Its name; ``root``: its folder, for its fonts.
        rooms: Those with a monitor to visit or a fault, in the facility's order.
        monitors: How many the facility has.
        undecided: Names of those that nothing calls for though it cannot be decided whether they match.
    """

    facility: str
    root: Path
    on: date
    rules: Rules
    rooms: tuple[RoomCalls, ...]
    monitors: int
    undecided: tuple[str, ...] = ()

    @property
    def calls(self) -> tuple[Call, ...]:
        """All monitors to visit, in the order of the round."""
        return tuple(call for room in self.rooms for call in room.calls)

    @property
    def minutes(self) -> int:
        """Minutes of the whole round."""
        return sum(room.minutes for room in self.rooms)
