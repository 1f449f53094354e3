"""What a run has read or worked out, handed to the process that reports on it.

A run reads each session file once. What it read of a room, or what it worked out of a lamp change, travels as one
file; a process whose environment names that file takes it from there and reads nothing of the facility again.
"""

import os
import pickle
from dataclasses import replace
from pathlib import Path
from typing import Any

from matchlib.facility.rooms import Facility
from matchlib.matching.inputs import RoomInputs

PLANNED = "MATCHLIB_PLANNED"  # names the file; set by a run for its kernels, in a folder that only it can write to


def pack(inputs: RoomInputs, on: str) -> bytes:
    """Return a room's inputs as bytes, without the facility's other rooms.

    Args:
        inputs: As a run read them.
        on: The day they were read for, as :func:`matchlib.match_room` takes it.
    """
    facility = share_of(inputs.facility, inputs)
    before = tuple(replace(entry, inputs=replace(entry.inputs, facility=facility)) for entry in inputs.before)
    own = replace(inputs, facility=facility, before=before)
    return packed((str(facility.root), inputs.room.id, on), own)


def planned_inputs(facility: str | Path, room: str, on: str) -> RoomInputs | None:
    """Return the inputs that a run handed to this process for a room; None where it handed none, or another's."""
    found: RoomInputs | None = planned((str(Path(facility).resolve()), room, on))
    return found


def packed(name: tuple[str, ...], content: Any) -> bytes:
    """Return what is handed on under a name, as bytes."""
    return pickle.dumps((name, content), pickle.HIGHEST_PROTOCOL)


def planned(name: tuple[str, ...]) -> Any:
    """Return what a run handed to this process under a name; None where it handed nothing, or something else."""
    place = os.environ.get(PLANNED)
    if not place:
        return None
    given, content = pickle.loads(Path(place).read_bytes())  # noqa: S301 (written by the run that started this process)
    return content if given == name else None


def share_of(facility: Facility, inputs: RoomInputs) -> Facility:
    """Return a facility without its other rooms."""
    return replace(
        facility,
        projectors={inputs.projector.id: inputs.projector},
        rooms={inputs.room.id: inputs.room},
        monitors=inputs.monitors,
    )
