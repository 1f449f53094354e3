"""From a facility folder to the answer for one room."""

from datetime import date
from pathlib import Path

from matchlib import __version__
from matchlib.arrays import one_thread
from matchlib.displays.response import Response, fit_response, nominal_response
from matchlib.errors import InputError, Problem
from matchlib.facility.file import read_facility
from matchlib.matching.conformity import reference_conformity
from matchlib.matching.errors_of_readings import Display, display_of, sources_of
from matchlib.matching.figures_uncertainty import with_uncertainty
from matchlib.matching.inputs import RoomInputs, read_inputs
from matchlib.matching.monitor import Reference, figures_of, match_monitor
from matchlib.matching.result import ProjectorMatch, RoomMatch
from matchlib.package import versions
from matchlib.patches import standard_list
from matchlib.perception.viewing import wanted
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Session


def match_room(facility: str | Path, room: str, on: str = "") -> RoomMatch:
    """Return how the monitors of a room compare with its projector, and what to set on each.

    Args:
        facility: The facility folder.
        room: Id of the room.
        on: A day, YYYY-MM-DD: sessions after it are left out; empty: none is.

    Raises:
        InputError: Whatever is wrong with the inputs, each problem with its place and the way out.
    """
    return match_inputs(read_inputs(read_facility(facility), room, parse_day(on)))


def parse_day(text: str) -> date | None:
    """Return the day of ``YYYY-MM-DD``, None for an empty string.

    Raises:
        InputError: No such day.
    """
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = None
    if day is None or day.isoformat() != text:
        raise InputError(Problem(f"{text!r} is no day", "write it as YYYY-MM-DD"))
    return day


def match_inputs(inputs: RoomInputs) -> RoomMatch:
    """Return the result for a room's inputs."""
    with one_thread():
        return _match(inputs)


def _match(inputs: RoomInputs) -> RoomMatch:
    facility, room = inputs.facility, inputs.room
    session = inputs.projector_choice.session
    if session is None:
        raise InputError(inputs.projector_choice.problems)
    response = fit_response(session)
    followed = _followed(room.reference, response, inputs)
    meters = Meters(facility.instruments, inputs.corrections)
    instruments = dict(facility.instruments)
    patches = standard_list()
    reference = Reference(
        session=session,
        response=followed,
        encoding=session.encoding,
        patches=patches,
        wanted=wanted(room.match, followed.forward(patches.signal), followed.white_xyz),
        errors=_errors(room.reference, session, followed, meters),
    )
    monitors = tuple(
        match_monitor(reference, room, monitor, choices, meters)
        for monitor, choices in zip(inputs.monitors, inputs.choices, strict=True)
    )
    instrument = instruments[session.header.instrument]
    figures = figures_of(session, response, instrument)
    return RoomMatch(
        facility=facility.name,
        room=room.id,
        matchlib=__version__,
        hash=inputs.hash,
        versions=versions(),
        inputs=inputs.files,
        projector=ProjectorMatch(
            id=inputs.projector.id,
            session=session.file,
            measured=session.header.measured.isoformat(),
            response=with_uncertainty(figures, _errors("measured", session, response, meters)),
            conformity=reference_conformity(
                inputs.projector, session, response, figures, instrument, room.tolerances.rule
            ),
            findings=inputs.projector_choice.findings,
            instrument=session.header.instrument,
            row=inputs.projector,
            fitted=response,
        ),
        mode=room.match,
        luminance=float(reference.wanted.white[1]),
        surround=room.surround,
        monitors=monitors,
        room_target=None,
        warnings=tuple(_warnings(inputs, response)),
        date=inputs.day,
        settings=room,
        instruments=instruments,
        set_aside=inputs.set_aside,
        root=facility.root,
    )


def _errors(followed: str, session: Session, response: Response, meters: Meters) -> Display:
    """Return what can be wrong with what is followed: nothing, where that is the encoding's own."""
    signal = standard_list().signal
    if followed == "nominal":
        return Display(response, signal, None, None)
    instrument = meters.instruments[session.header.instrument]
    return display_of(session, response, signal, sources_of(instrument, meters), instrument)


def _followed(reference: str, response: Response, inputs: RoomInputs) -> Response:
    """Return the response the room follows: as measured, or as the encoding says over the measured black."""
    if reference == "measured":
        return response
    return nominal_response(inputs.projector.encoding, response.black_xyz)


def _warnings(inputs: RoomInputs, response: Response) -> list[str]:
    room, projector = inputs.room, inputs.projector
    found = [str(problem) for problem in (*inputs.warnings, *inputs.projector_choice.warnings)]
    if not response.black_read:
        found.append(f"{projector.id}: black was not read; the fit's {response.black:.3g} cd/m² stands for it")
    if room.reference == "nominal":
        found.append(f"the room follows the encoding {projector.encoding.name}, not the projector as measured")
    for name, veil in ((room.id, room.veil), (projector.id, projector.veil)):
        if veil > 0:
            found.append(f"{name}: veil = {veil:g} cd/m² is noted, but this version does not add it to the sums")
    if room.common_target:
        found.append("common_target is noted, but this version gives each monitor its own target")
    return list(dict.fromkeys(found))
