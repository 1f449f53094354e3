"""What a room's result depends on: files, settings, code, versions; and the digest over them."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Any

from matchlib.errors import InputError, Problem, nearest
from matchlib.facility.rooms import Facility, Monitor, Projector, Room
from matchlib.package import code_digest, versions
from matchlib.readings.archive import Across, Archive
from matchlib.readings.choice import Choice
from matchlib.readings.formats.recognise import entry_of
from matchlib.readings.instrument import Correction
from matchlib.readings.pairs import newest_corrections, panel_of

FONTS = "fonts"


@dataclass(frozen=True, slots=True)
class RoomInputs:
    """One room's share of a facility, read and chosen.

    Attributes:
        choices: The calibrated and the native choice of each monitor row, in inventory order.
        files: SHA-256 of every session file of the room's displays.
        hash: 12 hex digits over everything the result depends on.
        day: Of the newest session used, YYYY-MM-DD in the facility's time zone.
        across: What was read of the projector beside the centre.
        corrections: The newest by instrument and panel, of those that this room's sessions need.
        before: The room as of the days on which its monitors were measured the time before.
    """

    facility: Facility
    room: Room
    projector: Projector
    projector_choice: Choice
    monitors: tuple[Monitor, ...]
    choices: tuple[tuple[Choice, Choice], ...]
    files: Mapping[str, str]
    set_aside: tuple[tuple[str, str], ...]
    warnings: tuple[Problem, ...]
    hash: str
    day: str
    corrections: Mapping[tuple[str, str], Correction] = field(default_factory=dict)
    before: tuple["Before", ...] = ()
    across: Across = field(default_factory=Across)


@dataclass(frozen=True, slots=True)
class Before:
    """A room as of an earlier day.

    Attributes:
        inputs: As of that day, with the monitors that its targets depend on.
        today: Places, among the room's monitors, of those measured then and since; ``then``: among its own.
        screen: The projector as of the day on which they were measured since: a sheet of that day may have been
            followed instead, after a lamp change.
    """

    inputs: RoomInputs
    today: tuple[int, ...]
    then: tuple[int, ...]
    screen: Choice


def room_inputs(archive: Archive, room_id: str) -> RoomInputs:
    """Return everything that a room's match is computed from.

    Raises:
        InputError: No such room; a session that counts is wrong; the projector was not measured.
    """
    share = _share_of(archive, room_id)
    facility, room, projector, monitors = archive.facility, share.room, share.projector, share.monitors
    projector_choice = archive.projector_choice(projector.id)
    choices = tuple((archive.calibrated_choice(m), archive.native_choice(m)) for m in monitors)
    everything = [projector_choice, *(choice for pair in choices for choice in pair)]
    problems = [problem for choice in everything for problem in choice.problems]
    if projector_choice.session is None and not projector_choice.problems:
        problems.append(_not_measured(projector.id, projector_choice))
    problems += _pairs_on_screens(archive, projector_choice)
    if problems:
        raise InputError(dict.fromkeys(problems))
    corrections = _corrections(archive, monitors, choices)
    across = archive.across(projector.id)
    sessions = [choice.session for choice in everything if choice.session is not None]
    used = [session.header.measured for session in (*sessions, *across.places.values())]
    findings = [asdict(finding) for choice in everything for finding in choice.findings]
    found = RoomInputs(
        facility=facility,
        room=room,
        projector=projector,
        projector_choice=projector_choice,
        monitors=monitors,
        choices=choices,
        files=dict(sorted(share.files.items())),
        set_aside=share.set_aside,
        warnings=(*share.warnings, *across.warnings),
        hash=_digest(archive, share, findings)[:12],
        day=max(used).astimezone(facility.time_zone).date().isoformat(),
        corrections=corrections,
        across=across,
    )
    return replace(found, before=_before(archive, found))


def fingerprint(archive: Archive, room_id: str) -> str:
    """Return a digest over whatever decides a room's hash and day, no session read.

    Two runs with equal fingerprints of a room have equal inputs of it.

    Raises:
        InputError: No such room; a file whose display cannot be told.
    """
    share = _share_of(archive, room_id)
    twins = sorted((twin.file, twin.digest) for twin in archive.twins_of(share.displays))
    return _digest(archive, share, [twins, str(archive.on)])


@dataclass(frozen=True, slots=True)
class _Share:
    """What of a facility a room depends on, as the index knows it."""

    room: Room
    projector: Projector
    monitors: tuple[Monitor, ...]
    displays: tuple[str, ...]
    files: Mapping[str, str]
    paired: tuple[str, ...]
    set_aside: tuple[tuple[str, str], ...]
    warnings: tuple[Problem, ...]


def _share_of(archive: Archive, room_id: str) -> _Share:
    facility = archive.facility
    if room_id not in facility.rooms:
        raise InputError(Problem(f"no room {room_id!r} in {facility.root.name}", nearest(room_id, facility.rooms)))
    if archive.homeless:
        raise InputError(archive.homeless)
    room = facility.rooms[room_id]
    projector = facility.projectors[room.projector]
    monitors = facility.monitors_of(room_id)
    displays = (projector.id, *dict.fromkeys(monitor.id for monitor in monitors))
    files = {entry.file: entry.digest for display in displays for entry in archive.of(display)}
    pairs = _pairs_on(archive, {monitor.panel for monitor in monitors})
    there = {file: entry for file in sorted(pairs) if (entry := archive.entry(file)) is not None}
    files |= {file: entry.digest for file, entry in there.items()}
    warnings = (*facility.warnings, *archive.warnings)
    set_aside = archive.set_aside_of(displays)
    return _Share(room, projector, monitors, displays, files, tuple(there), set_aside, warnings)


def _pairs_on(archive: Archive, panels: set[str]) -> set[str]:
    """Return the files of [[corrections]] that were made on these kinds of panel: today's use, and earlier days'."""
    pairs = [
        pair for pair in archive.facility.corrections if panel_of(archive, archive.display_of(pair.session)) in panels
    ]
    return {file for pair in pairs for file in (pair.session, pair.reference_session)}


def _pairs_on_screens(archive: Archive, choice: Choice) -> list[Problem]:
    """Return what to say where a pair was meant to correct the instrument on a screen: none is corrected there."""
    if choice.session is None:
        return []
    instrument = choice.session.header.instrument
    return [
        Problem(
            f"[[corrections]] has a pair of {instrument} on a screen, {pair.session}: only monitors' are corrected",
            "take the pair out, and read the screen with the instrument that corrects the others",
            "facility.toml",
        )
        for pair in archive.facility.corrections
        if pair.instrument == instrument and archive.display_of(pair.session) in archive.facility.projectors
    ]


def _before(archive: Archive, inputs: RoomInputs) -> tuple[Before, ...]:
    """Return the room as of each day of a monitor's session before the one that counts."""
    days: dict[tuple[date, date], list[int]] = {}
    for place, (choice, _) in enumerate(inputs.choices):
        if choice.session is not None:
            newest = archive.day_of(choice.session)
            earlier = [day for session in choice.earlier if (day := archive.day_of(session)) < newest]
            if earlier:
                days.setdefault((max(earlier), newest), []).append(place)
    found = []
    for (day, newer), places in sorted(days.items()):
        then = archive.as_of(day, look=False)
        projector_choice = then.projector_choice(inputs.projector.id)
        # One target for a room depends on all its monitors, any other on the monitor alone
        needed = range(len(inputs.monitors)) if inputs.room.common_target else places
        monitors = tuple(inputs.monitors[place] for place in needed)
        choices = tuple((then.calibrated_choice(monitor), then.native_choice(monitor)) for monitor in monitors)
        if projector_choice.session is not None and all(not choice.problems for pair in choices for choice in pair):
            own = tuple(place for place, index in enumerate(needed) if index in places)
            as_of = replace(
                inputs,
                projector_choice=projector_choice,
                monitors=monitors,
                choices=choices,
                corrections=_corrections(then, monitors, choices),
                day=day.isoformat(),
            )
            screen = archive.as_of(newer, look=False).projector_choice(inputs.projector.id)
            found.append(Before(as_of, tuple(places), own, screen))
    return tuple(found)


def _corrections(
    archive: Archive, monitors: tuple[Monitor, ...], choices: tuple[tuple[Choice, Choice], ...]
) -> dict[tuple[str, str], Correction]:
    """Return the newest correction for each instrument and panel that this room's sessions are of."""
    needed = {
        (choice.session.header.instrument, monitor.panel)
        for monitor, both in zip(monitors, choices, strict=True)
        for choice in both
        if choice.session is not None
    }
    return newest_corrections(archive, needed)


def read_inputs(facility: Facility, room_id: str, on: date | None) -> RoomInputs:
    """Return a room's inputs, reading the facility's folder for it."""
    return room_inputs(Archive(facility, on), room_id)


def _not_measured(projector: str, choice: Choice) -> Problem:
    reasons = "; ".join(f"{file}: {reason}" for file, reason in choice.passed_over)
    what = f"no complete calibrated session of projector {projector}" + (f" ({reasons})" if reasons else "")
    return Problem(what, "measure it: white, full red, green and blue, and five greys or five steps a channel")


def shared_settings(facility: Facility, files: Iterable[str]) -> dict[str, Any]:
    """Return what of a facility's settings these files are read by, and what whoever reports on them may name.

    Every instrument is there, for each may be named as the one that decides; of ``[[formats]]`` and
    ``[[corrections]]`` only what reads one of the files, or has one in its pair.
    """
    own = set(files)
    used = {entry.name: entry for file in sorted(own) if (entry := entry_of(file, facility)) is not None}
    pairs = [pair for pair in facility.corrections if not own.isdisjoint((pair.session, pair.reference_session))]
    return {
        "facility": [facility.name, facility.time_zone.key],
        "instruments": {name: asdict(entry) for name, entry in facility.instruments.items()},
        "formats": [asdict(entry) for _, entry in sorted(used.items())],
        "corrections": [asdict(pair) for pair in pairs],
    }


def _settings(archive: Archive, share: _Share) -> str:
    """Return the room's resolved settings as canonical JSON."""
    content = shared_settings(archive.facility, share.files) | {
        "room": asdict(share.room),
        "projector": asdict(share.projector),
        "monitors": [
            asdict(row) | {"line": None} for id_ in share.displays for row in archive.facility.rows.get(id_, ())
        ],
        "paired": [(file, asdict(archive.encoding_for(archive.display_of(file)))) for file in share.paired],
        "set_aside": share.set_aside,
        "warnings": [str(warning) for warning in share.warnings],
    }
    return json.dumps(content, sort_keys=True, ensure_ascii=True, separators=(",", ":"))


def font_files(root: Path) -> list[Path]:
    """Return the fonts of a facility folder, sorted."""
    endings = (".ttf", ".otf", ".ttc")
    return sorted(path for path in (root / FONTS).rglob("*") if path.suffix.lower() in endings)


def _fonts(facility: Facility) -> dict[str, str]:
    fonts = font_files(facility.root)
    return {path.relative_to(facility.root).as_posix(): sha256(path.read_bytes()).hexdigest() for path in fonts}


def _digest(archive: Archive, share: _Share, more: Sequence[Any]) -> str:
    """Return the SHA-256; findings are in it, for a file of another room may be the twin of one here."""
    settings, fonts = _settings(archive, share), _fonts(archive.facility)
    content = [settings, more, sorted(share.files.items()), sorted(fonts.items()), code_digest(), versions()]
    return sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()
