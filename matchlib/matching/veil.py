"""Light that a viewer sees with a picture and a session may not hold: a veil over the whole screen."""

from dataclasses import dataclass, field, replace

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.displays.response import Response
from matchlib.encoding import xy_to_unit_xyz
from matchlib.facility.rooms import Projector, Room
from matchlib.readings.session import Session


@dataclass(frozen=True, slots=True, eq=False)
class Veil:
    """Room light on a monitor's face, XYZ in cd/m².

    Attributes:
        seen: What a viewer sees with everything, shape (3,).
        read: How much of it the calibrated session holds: all, or nothing.
    """

    seen: Array = field(default_factory=lambda: np.zeros(3))
    read: Array = field(default_factory=lambda: np.zeros(3))

    @property
    def unread(self) -> Array:
        """What a viewer sees beside what the session holds."""
        return np.asarray(self.seen - self.read)


def room_veil(room: Room, session: Session) -> Veil:
    """Return the light on a monitor's face, and what of it a session of the monitor holds."""
    seen = room.veil * xy_to_unit_xyz(room.veil_xy)
    return Veil(seen, seen if session.header.veil_included else np.zeros(3))


def screen_veil(projector: Projector, session: Session, response: Response) -> Array:
    """Return the light that pictures scatter back onto the screen and the session does not hold, shape (3,).

    It has the colour of white, for it is the pictures' own light.
    """
    if session.header.veil_included:
        return np.zeros(3)
    return np.asarray(projector.veil * response.white_xyz / response.white_xyz[1])


def under_veil(response: Response, light: Array) -> Response:
    """Return a response with light added to everything it shows."""
    if not light.any():
        return response
    return replace(
        response,
        black_xyz=read_only(response.black_xyz + light),
        white_xyz=read_only(response.white_xyz + light),
    )
