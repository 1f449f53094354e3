"""Which report a room is to have: from its inputs, or from what the last run wrote down of equal ones."""

import json
from dataclasses import dataclass

from matchlib.matching.inputs import RoomInputs, fingerprint, room_inputs
from matchlib.readings.archive import Archive
from matchlib.running.store import Store, write

_RECORD = "_plans.json"


@dataclass(frozen=True, slots=True)
class Plan:
    """A room's report: the day of its newest session, and the hash of its inputs."""

    room: str
    day: str
    hash: str


class Planner:
    """Plans a facility's rooms, and keeps a record beside the reports so that equal inputs are not read again.

    Args:
        archive: The facility's readings.
        store: Where the reports stand.
    """

    def __init__(self, archive: Archive, store: Store) -> None:
        self._archive, self._store = archive, store
        self._record = _read(store)

    def known(self, room: str) -> Plan | None:
        """Return the plan of a room whose inputs equal those of a run before, no session read; else None."""
        digest, day, name = self._record.get(room, ("", "", ""))
        return Plan(room, day, name) if digest and digest == fingerprint(self._archive, room) else None

    def read(self, room: str) -> RoomInputs:
        """Return a room's inputs, read from its sessions; what is only its own is not kept.

        Raises:
            InputError: They are wrong.
        """
        try:
            inputs = room_inputs(self._archive, room)
        finally:
            self._archive.forget(monitor.id for monitor in self._archive.facility.monitors_of(room))
        self._record[room] = (fingerprint(self._archive, room), inputs.day, inputs.hash)
        return inputs

    def keep(self) -> None:
        """Write the record; that of a facility seen as of a day is of no use later."""
        if self._archive.on is None:
            rooms = self._archive.facility.rooms
            record = {room: entry for room, entry in self._record.items() if room in rooms}
            write(self._store.root / _RECORD, (json.dumps(record, indent=0, sort_keys=True) + "\n").encode())


def plan_of(inputs: RoomInputs) -> Plan:
    """Return the plan of a room that was read."""
    return Plan(inputs.room.id, inputs.day, inputs.hash)


def _read(store: Store) -> dict[str, tuple[str, str, str]]:
    """Return the record; empty where there is none that can be read."""
    try:
        found = json.loads((store.root / _RECORD).read_bytes())
        return {str(room): (str(digest), str(day), str(name)) for room, (digest, day, name) in found.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}
