"""From a facility folder to the answer for one room."""

from datetime import date
from pathlib import Path

from matchlib import __version__
from matchlib.arrays import one_thread
from matchlib.displays.response import Response
from matchlib.errors import InputError, Problem
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Room
from matchlib.matching.conformity import Screen, in_theatre, reference_conformity
from matchlib.matching.figures_uncertainty import with_uncertainty
from matchlib.matching.fitting import fit_display, words_on_fit
from matchlib.matching.for_all import Said, common_of
from matchlib.matching.inputs import RoomInputs, read_inputs
from matchlib.matching.monitor import match_monitor, not_measured
from matchlib.matching.planned import planned_inputs
from matchlib.matching.previous import previous_of
from matchlib.matching.reference import errors_of_screen, judge_of
from matchlib.matching.result import ProjectorMatch, RoomMatch
from matchlib.matching.solving import figures_of, solve_monitors
from matchlib.matching.uniformity import uniformity_notes
from matchlib.package import versions
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
    planned = planned_inputs(facility, room, on)
    return match_inputs(planned or read_inputs(read_facility(facility), room, parse_day(on)))


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
    judge = judge_of(inputs, session, response, meters)
    reference = judge.reference
    solved = solve_monitors(judge, inputs.monitors, inputs.choices)
    common, said = common_of(solved, reference.encoding)
    previous = previous_of(inputs, solved)
    monitors = tuple(
        not_measured(monitor, choices[0])
        if entry is None
        else match_monitor(judge, entry, common.get(place), previous.get(place))
        for place, (monitor, choices, entry) in enumerate(zip(inputs.monitors, inputs.choices, solved, strict=True))
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
            response=with_uncertainty(figures, errors_of_screen(session, response, meters)),
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
        room_target=said.target,
        one_for_all=said.meaning,
        warnings=(*_warnings(inputs, session, response), *said.warnings, *_unshared(room, said)),
        date=inputs.day,
        tolerances=room.tolerances,
        settings=room,
        instruments=instruments,
        set_aside=inputs.set_aside,
        root=facility.root,
    )


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
    return list(dict.fromkeys(found))


def _unshared(room: Room, said: Said) -> list[str]:
    """Return that a room asks for one target and has none."""
    if not room.common_target or said.target is not None or said.warnings:
        return []
    return ["common_target has nothing to share: fewer than two monitors of the room were measured"]
