"""What the monitors of a room are held against: the projector, or what its encoding says it should be."""

from dataclasses import dataclass, field

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.response import Response, nominal_response
from matchlib.encoding import Encoding
from matchlib.facility.rooms import Room
from matchlib.matching.errors_of_readings import Display, noise_of, scatter_of, sources_of
from matchlib.matching.inputs import RoomInputs
from matchlib.matching.veil import screen_veil, under_veil
from matchlib.patches import PatchList, standard_list
from matchlib.perception.viewing import Viewing, Wanted, wanted
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Session, average_repeats


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
    reference = Reference(
        session=session,
        response=followed,
        encoding=session.encoding,
        patches=patches,
        wanted=wanted(viewing, followed.forward(patches.signal), followed.white_xyz),
        errors=_errors(room.reference, session, followed, meters),
        veil=veil,
    )
    return Judge(reference, room, meters)


def _errors(followed: str, session: Session, response: Response, meters: Meters) -> Display:
    """Return what can be wrong with what is followed: nothing, where that is the encoding's own."""
    signal = standard_list().signal
    if followed == "nominal":
        return Display(response, signal, None, None)
    instrument, patches = meters.instruments[session.header.instrument], average_repeats(session)
    scatter = scatter_of(patches, response, noise_of(patches, instrument))
    return Display(response, signal, sources_of(instrument, meters), scatter)


def _followed(reference: str, response: Response, inputs: RoomInputs) -> Response:
    """Return the response the room follows: as measured, or as the encoding says over the measured black."""
    if reference == "measured":
        return response
    return nominal_response(inputs.projector.encoding, response.black_xyz)
