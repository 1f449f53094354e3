"""What the monitors of a room are held against: the projector, or what its encoding says it should be."""

from dataclasses import dataclass, field

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.response import Response, nominal_response
from matchlib.encoding import Encoding
from matchlib.facility.rooms import Room
from matchlib.matching.errors_of_readings import Display, display_of, sources_of
from matchlib.matching.inputs import RoomInputs
from matchlib.matching.veil import screen_veil, under_veil
from matchlib.patches import PatchList, standard_list
from matchlib.perception.viewing import Viewing, Wanted, wanted
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Session


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """What the monitors of a room are held against.

    Attributes:
        session: Of the projector; ``response``: what is followed, measured or nominal.
        patches: The standard list in the projector's signals.
        wanted: What a monitor should show for them.
        errors: What can be wrong with what is followed.
        veil: Light on the screen that the session does not hold, shape (3,).
    """

    session: Session
    response: Response
    encoding: Encoding
    patches: PatchList
    wanted: Wanted
    errors: Display
    veil: Array = field(default_factory=lambda: np.zeros(3))


@dataclass(frozen=True, slots=True, eq=False)
class Judge:
    """What all monitors of a room are judged by."""

    reference: Reference
    room: Room
    meters: Meters


def judge_of(inputs: RoomInputs, session: Session, response: Response, meters: Meters) -> Judge:
    """Return what the monitors of a room are judged by."""
    room, projector = inputs.room, inputs.projector
    veil = screen_veil(projector, session, response)
    followed = under_veil(_followed(room.reference, response, inputs), veil)
    patches = standard_list()
    viewing = Viewing(room.match, room.luminance, projector.surround, room.surround)
    # What an encoding says has no errors
    errors = Display(followed, patches.signal, None, None)
    if room.reference != "nominal":
        errors = errors_of_screen(session, followed, meters)
    reference = Reference(
        session=session,
        response=followed,
        encoding=session.encoding,
        patches=patches,
        wanted=wanted(viewing, followed.forward(patches.signal), followed.white_xyz),
        errors=errors,
        veil=veil,
    )
    return Judge(reference, room, meters)


def errors_of_screen(session: Session, response: Response, meters: Meters) -> Display:
    """Return what can be wrong with a projector as it was measured."""
    instrument = meters.instruments[session.header.instrument]
    return display_of(session, response, standard_list().signal, sources_of(instrument, meters), instrument)


def _followed(reference: str, response: Response, inputs: RoomInputs) -> Response:
    """Return the response the room follows: as measured, or as the encoding says over the measured black."""
    if reference == "measured":
        return response
    return nominal_response(inputs.projector.encoding, response.black_xyz)
