"""From a facility folder to the answer for one room."""

from datetime import date
from pathlib import Path

from matchlib import __version__
from matchlib.arrays import one_thread
from matchlib.displays.response import Response, nominal_response
from matchlib.errors import InputError, Problem
from matchlib.facility.file import read_facility
from matchlib.matching.conformity import Screen, in_theatre, reference_conformity
from matchlib.matching.errors_of_readings import Display, noise_of, scatter_of, sources_of
from matchlib.matching.fitting import fit_display, words_on_fit
from matchlib.matching.inputs import RoomInputs, read_inputs
from matchlib.matching.monitor import match_monitor, not_measured
from matchlib.matching.result import ProjectorMatch, RoomMatch
from matchlib.matching.solving import Judge, Reference, figures_of, solve_monitors
from matchlib.matching.uniformity import uniformity_notes
from matchlib.matching.veil import screen_veil, under_veil
from matchlib.package import versions
from matchlib.patches import standard_list
from matchlib.perception.viewing import Viewing, wanted
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Session, average_repeats


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
    response = fit_display(session)
    meters = Meters(facility.instruments, inputs.corrections)
    judge = _judge(inputs, session, response, meters)
    reference = judge.reference
    solved = solve_monitors(judge, inputs.monitors, inputs.choices)
    monitors = tuple(
        not_measured(monitor, choices[0]) if entry is None else match_monitor(judge, entry)
        for monitor, choices, entry in zip(inputs.monitors, inputs.choices, solved, strict=True)
    )
    instruments = dict(facility.instruments)
    figures = figures_of(session, response, instruments[session.header.instrument])
    screen = Screen(inputs.projector, session, response, figures, inputs.across, instruments)
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
            response=figures,
            conformity=reference_conformity(screen, room.tolerances.rule),
            findings=inputs.projector_choice.findings,
            instrument=session.header.instrument,
            row=inputs.projector,
            fitted=response,
            in_theatre=in_theatre(screen, room.tolerances.rule),
        ),
        mode=room.match,
        luminance=float(reference.wanted.white[1]),
        surround=room.surround,
        monitors=monitors,
        room_target=None,
        warnings=tuple(_warnings(inputs, session, response)),
        date=inputs.day,
        settings=room,
        instruments=instruments,
        set_aside=inputs.set_aside,
        root=facility.root,
    )


def _judge(inputs: RoomInputs, session: Session, response: Response, meters: Meters) -> Judge:
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


def _warnings(inputs: RoomInputs, session: Session, response: Response) -> list[str]:
    room, projector = inputs.room, inputs.projector
    found = [str(problem) for problem in (*inputs.warnings, *inputs.projector_choice.warnings)]
    found += words_on_fit(session, response)
    if not response.black_read:
        found.append(f"{projector.id}: black was not read; the fit's {response.black:.3g} cd/m² stands for it")
    if projector.kind == "projector":
        found += uniformity_notes(inputs.across, session, inputs.facility.time_zone)
    if room.reference == "nominal":
        found.append(f"the room follows the encoding {projector.encoding.name}, not the projector as measured")
    if projector.veil > 0 and session.header.veil_included:
        found.append(
            f"{projector.id}: veil = {projector.veil:g} cd/m² is not added, for {session.file} holds the light of "
            "its room; write 'veil: excluded' there if it does not"
        )
    if room.common_target:
        found.append("common_target is noted, but this version gives each monitor its own target")
    return list(dict.fromkeys(found))
