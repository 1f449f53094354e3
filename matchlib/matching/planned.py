"""A room's inputs as a run read them, handed to the process that computes the room.

A run reads each session file once. What it read of a room travels as one file; a process whose environment names
that file takes the room from there and reads nothing of the facility again.
"""

import os
import pickle
from dataclasses import replace
from pathlib import Path

from matchlib.facility.rooms import Facility
from matchlib.matching.inputs import RoomInputs

PLANNED = "MATCHLIB_PLANNED"  # names the file; set by a run for its kernels, in a folder that only it can write to


def pack(inputs: RoomInputs, on: str) -> bytes:
    """Return a room's inputs as bytes, without the facility's other rooms.

    Args:
        inputs: As a run read them.
        on: The day they were read for, as :func:`matchlib.match_room` takes it.
    """
    facility = _share(inputs.facility, inputs)
    before = tuple(replace(entry, inputs=replace(entry.inputs, facility=facility)) for entry in inputs.before)
    own = replace(inputs, facility=facility, before=before)
    return pickle.dumps((str(facility.root), inputs.room.id, on, own), pickle.HIGHEST_PROTOCOL)


def planned_inputs(facility: str | Path, room: str, on: str) -> RoomInputs | None:
    """Return the inputs that a run handed to this process for a room; None where it handed none, or another's."""
    place = os.environ.get(PLANNED)
    if not place:
        return None
    found = pickle.loads(Path(place).read_bytes())  # noqa: S301 (written by the run that started this process)
    inputs: RoomInputs = found[3]
    return inputs if found[:3] == (str(Path(facility).resolve()), room, on) else None


def _share(facility: Facility, inputs: RoomInputs) -> Facility:
    return replace(
        facility,
        projectors={inputs.projector.id: inputs.projector},
        rooms={inputs.room.id: inputs.room},
        monitors=inputs.monitors,
    )
