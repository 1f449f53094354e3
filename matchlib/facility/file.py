"""``facility.toml`` and ``monitors.csv`` to a :class:`Facility`, everything checked at the door."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from matchlib import encoding as encodings
from matchlib.encoding import STANDARD, Encoding
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility import ids
from matchlib.facility.formats import read_format
from matchlib.facility.inventory import read_inventory
from matchlib.facility.rooms import (
    CorrectionPair,
    Facility,
    Instrument,
    Monitor,
    Projector,
    Room,
    SetAside,
    Tolerances,
)
from matchlib.facility.toml import Section, key_lines, parse
from matchlib.text import decode

FILE = "facility.toml"
INVENTORY = "monitors.csv"
_SIZE_LIMIT = 8_000_000
_SURROUNDS = ("dark", "dim", "average")


def read_facility(folder: str | Path) -> Facility:
    """Return the facility that a folder describes.

    Args:
        folder: Holds ``facility.toml`` and ``monitors.csv``.

    Raises:
        InputError: Every problem of both files at once, each with file, line, key or column, and way out.
    """
    root = Path(folder).resolve()
    if not root.is_dir():
        raise InputError(Problem(f"no folder {str(folder)!r}", "name a facility folder"))
    if wrong := ids.fault(root.name):
        raise InputError(Problem(f"the facility folder's name {root.name!r} {wrong}", f"rename it; {ids.RULE}"))
    text = decode(read_bytes(root, FILE), FILE)
    problems: list[Problem] = []
    warnings: list[Problem] = []
    top = Section(parse(text, FILE), "", file=FILE, lines=key_lines(text), problems=problems)
    name = top.text("name", root.name)
    time_zone = _time_zone(top, warnings)
    tolerances = _tolerances(top.section("tolerances"), Tolerances())
    projectors = {entry.id: entry for entry in map(_projector, _named(top, "projectors"))}
    rooms = {entry.id: entry for entry in (_room(s, tolerances, projectors) for s in _named(top, "rooms"))}
    instruments = {entry.id: entry for entry in map(_instrument, _named(top, "instruments"))}
    set_aside = tuple(_set_aside(section) for section in top.entries("set_aside"))
    formats = tuple(map(read_format, top.entries("formats")))
    corrections = tuple(_correction(section, root, instruments) for section in top.entries("corrections"))
    top.close()
    monitors: tuple[Monitor, ...] = ()
    try:
        monitors, unknown_columns = read_inventory(read_bytes(root, INVENTORY), INVENTORY)
        warnings += unknown_columns
    except InputError as error:
        problems += error.problems
    problems += _cross_check(projectors, rooms, monitors, top)
    if problems:
        raise InputError(problems)
    return Facility(
        root=root,
        name=name,
        time_zone=time_zone,
        projectors=projectors,
        rooms=rooms,
        instruments=instruments,
        monitors=monitors,
        set_aside=set_aside,
        warnings=tuple(warnings),
        corrections=corrections,
        formats=formats,
    )


def read_bytes(root: Path, file: str) -> bytes:
    """Return the bytes of a file of the facility folder.

    Raises:
        InputError: It is missing, no file, cannot be read, or far larger than such a file can be.
    """
    path = root / file
    try:
        if path.stat().st_size > _SIZE_LIMIT:
            what = f"the file has {path.stat().st_size:,} bytes; such a file has far fewer"
            raise InputError(Problem(what, "put the right file there", file))
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(Problem("the file is missing", f"every facility folder has a {file}", file)) from None
    except OSError as error:
        raise InputError(Problem(f"cannot be read: {error.strerror}", "mend its access", file)) from None


def _named(top: Section, key: str) -> list[Section]:
    """Return the sections below a table of ids, each id checked."""
    table = top.section(key)
    sections = []
    for name in table.values:
        section = table.section(name)
        if wrong := ids.fault(name):
            section.fault("", f"the id {name!r} {wrong}", ids.RULE)
            continue  # what stands below it can wait
        sections.append(section)
    for first, second in ids.same_but_for_case(table.values):
        table.fault(second, f"differs from {first!r} by case only", "give it another id")
    return sections


def _id(section: Section) -> str:
    return section.path.split(".", 1)[1]


def _time_zone(top: Section, warnings: list[Problem]) -> ZoneInfo:
    name = top.text("time_zone", "")
    if not name:
        if "time_zone" not in top.values:
            what, do = "time_zone is absent, UTC is taken", 'add time_zone = "Europe/London" or your own'
            warnings.append(Problem(what, do, FILE))
        else:
            top.fault("time_zone", "is empty", 'write e.g. "Europe/London"')
        return ZoneInfo("UTC")
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        from zoneinfo import available_timezones

        what = f"{name!r} is no time zone that is known"
        top.fault("time_zone", what, nearest(name, sorted(available_timezones()), "e.g."))
        return ZoneInfo("UTC")


def _tolerances(section: Section, base: Tolerances) -> Tolerances:
    found = Tolerances(
        mean_difference=section.number("mean_difference", base.mean_difference, 0.01, 100),
        p95_difference=section.number("p95_difference", base.p95_difference, 0.01, 100),
        white=section.number("white", base.white, 1e-5, 1),
        luminance=section.number("luminance", base.luminance, 1e-4, 10),
        gamma=section.number("gamma", base.gamma, 1e-3, 5),
        rule=section.choice("rule", ("simple", "guarded"), base.rule),
    )
    section.close()
    return found


def _projector(section: Section) -> Projector:
    found = Projector(
        id=_id(section),
        encoding=_encoding(section, "encoding"),
        light=section.text("light"),
        unit=section.text("unit"),
        kind=section.choice("kind", ("projector", "monitor"), "projector"),
        surround=section.choice("surround", _SURROUNDS, "dark"),
        veil=section.number("veil", 0.0, 0, 1e3),
    )
    section.close()
    return found


def _room(section: Section, tolerances: Tolerances, projectors: dict[str, Projector]) -> Room:
    projector = section.required_text("projector")
    if projector and projector not in projectors:
        section.fault("projector", f"no projector {projector!r}", nearest(projector, projectors))
    match = section.choice("match", ("absolute", "relative", "appearance"), "absolute")
    luminance = section.number("luminance", 100.0, 1, 1e5) if "luminance" in section.values else None
    section.get("luminance")
    if match != "absolute" and luminance is None:
        do = f'write luminance = 100, or whatever white the monitors of a room with match = "{match}" work at'
        section.fault("luminance", "is missing", do)
    found = Room(
        id=_id(section),
        projector=projector,
        match=match,
        luminance=luminance,
        surround=section.choice("surround", _SURROUNDS, "dim"),
        veil=section.number("veil", 0.0, 0, 1e4),
        veil_xy=section.pair("veil_xy", (0.3127, 0.3290)),
        reference=section.choice("reference", ("measured", "nominal"), "measured"),
        out_of_reach=section.choice("out_of_reach", ("clip", "shrink"), "clip"),
        common_target=section.boolean("common_target", default=False),
        tolerances=_tolerances(section.section("tolerances"), tolerances),
    )
    section.close()
    return found


def _instrument(section: Section) -> Instrument:
    kind = section.required_text("kind")
    kinds = ("spectroradiometer", "colorimeter")
    if kind and kind not in kinds:
        section.fault("kind", f"{kind!r} is no kind of instrument", nearest(kind, kinds))
    common = 0.5 if kind == "spectroradiometer" else 0.0
    for key in ("luminance", "xy"):
        if key not in section.values:
            section.fault(key, "is missing", f"state the instrument's expanded uncertainty (k = 2) of {key}")
    found = Instrument(
        id=_id(section),
        kind=kind,
        luminance=section.number("luminance", 0.04, 0, 1),
        xy=section.number("xy", 0.004, 0, 0.2),
        floor=section.number("floor", 0.01, 0, 10),
        contact=section.boolean("contact", default=False),
        common_xy=section.number("common_xy", common, 0, 1),
    )
    section.close()
    return found


def _set_aside(section: Section) -> SetAside:
    found = SetAside(section.required_text("file"), section.required_text("reason"))
    section.close()
    return found


def _correction(section: Section, root: Path, instruments: dict[str, Instrument]) -> CorrectionPair:
    """Return a pair of sessions for a correction, its instrument known and its files there."""
    found = CorrectionPair(
        instrument=section.required_text("instrument"),
        session=_session_file(section, "session", root),
        reference_session=_session_file(section, "reference_session", root),
    )
    if found.instrument and found.instrument not in instruments:
        what = f"no instrument {found.instrument!r}"
        section.fault("instrument", what, nearest(found.instrument, instruments))
    if found.session and found.session == found.reference_session:
        section.fault("reference_session", "is the same file as session", "name the reference's own session")
    section.close()
    return found


def _session_file(section: Section, key: str, root: Path) -> str:
    """Return a session file's path relative to the facility folder, with ``/``."""
    text = section.required_text(key)
    if not text.strip():
        return ""
    path = PurePosixPath(text.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or path.parts[:1] != ("readings",):
        do = 'write it relative to the facility folder, such as "readings/pairs/M3_C1.csv"'
        section.fault(key, f"{text!r} is no path below readings/", do)
    elif not _is_file_inside(root / path, root):
        section.fault(key, f"there is no file {text!r}", "correct its path, or take the correction out")
    return path.as_posix()


def _is_file_inside(path: Path, root: Path) -> bool:
    try:
        return path.is_file() and path.resolve().is_relative_to(root)
    except (OSError, RuntimeError, ValueError):  # a link to itself, a name no system has
        return False


def _encoding(section: Section, key: str) -> Encoding:
    """Return a standard encoding by name, or one built on a ``base`` by an inline table (design 3.4)."""
    value = section.get(key, "P3 DCI")
    if isinstance(value, dict):
        return _derived_encoding(section.section(key))
    if isinstance(value, str) and value in STANDARD:
        return STANDARD[value]
    section.fault(key, f"{value!r} is no encoding that is known", nearest(str(value), STANDARD))
    return STANDARD["P3 DCI"]


def _derived_encoding(section: Section) -> Encoding:
    base = STANDARD[section.choice("base", STANDARD, "P3 DCI")]
    eotf = section.choice("eotf", encodings.EOTFS, "") if "eotf" in section.values else base.eotf
    section.get("eotf")
    most = encodings.PQ_PEAK if eotf == "PQ" else 20_000
    changes: dict[str, Any] = {"luminance": section.number("luminance", base.luminance, 1, most)}
    if eotf == "PQ" and "luminance" not in section.values:
        do = "write the peak that the display is set to, such as luminance = 1000 (cd/m²)"
        section.fault("luminance", "is missing: in PQ the code of white follows from it", do)
    gamma = section.number("gamma", encodings.VIDEO_GAMMA if eotf == "BT.1886" else base.gamma, 1.0, 4.0)
    if "gamma" in section.values:
        if "eotf" in section.values:
            section.fault("gamma", "gamma and eotf exclude each other", "keep one of them")
        eotf = ""
    changes |= {"eotf": eotf, "gamma": gamma}
    for colour in ("red", "green", "blue", "white"):
        changes[f"{colour}_xy"] = _chromaticity(section, colour, getattr(base, f"{colour}_xy"))
    section.close()
    found = replace(base, **changes)
    return found if found == base else replace(found, name=_derived_name(base, found))


def _chromaticity(section: Section, colour: str, default: tuple[float, float]) -> tuple[float, float]:
    xy = section.pair(f"{colour}_xy", default)
    if f"{colour}_uv" not in section.values:
        section.get(f"{colour}_uv")
        return xy
    if f"{colour}_xy" in section.values:
        section.fault(f"{colour}_uv", f"{colour}_xy and {colour}_uv exclude each other", "keep one of them")
    u, v = section.pair(f"{colour}_uv", (0.2, 0.46))
    scale = 6 * u - 16 * v + 12  # CIE 015:2018, inverse of the u′v′ transformation
    return 9 * u / scale, 4 * v / scale


def _derived_name(base: Encoding, found: Encoding) -> str:
    """Return a name that states what differs from the base: ``P3 DCI, gamma 2.2``."""
    parts = [base.name]
    if (found.gamma, found.eotf) != (base.gamma, base.eotf):
        parts.append(found.eotf or f"gamma {found.gamma:g}")
    if found.luminance != base.luminance:
        parts.append(f"{found.luminance:g} cd/m²")
    for colour in ("red", "green", "blue", "white"):
        xy = getattr(found, f"{colour}_xy")
        if xy != getattr(base, f"{colour}_xy"):
            parts.append(f"{colour} {xy[0]:.4g} {xy[1]:.4g}")
    return ", ".join(parts)


def _cross_check(
    projectors: dict[str, Projector], rooms: dict[str, Room], monitors: Iterable[Monitor], top: Section
) -> list[Problem]:
    """Return what is wrong between the two files."""
    problems = []
    monitors = tuple(monitors)
    for monitor in monitors:
        if monitor.room not in rooms:
            what, do = f"no room {monitor.room!r}", nearest(monitor.room, rooms)
            problems.append(Problem(what, do, INVENTORY, monitor.line, "room"))
        twin = next((name for name in projectors if name.casefold() == monitor.id.casefold()), None)
        if twin is not None:
            what = f"{monitor.id!r} is a projector's id too"
            if twin != monitor.id:
                what = f"{monitor.id!r} and the projector {twin!r} differ by case only"
            problems.append(Problem(what, "rename one of them", INVENTORY, monitor.line, "monitor"))
    if monitors:
        filled = {monitor.room for monitor in monitors}
        for room in rooms:
            if room not in filled:
                top.fault(f"rooms.{room}", "the room has no monitor", f"give it a row in {INVENTORY}")
    if not rooms:
        top.fault("rooms", "no room is declared", "add a table such as [rooms.studio-1]")
    return problems
