"""The files of ``readings/`` as the index has them: which there are, whose they are, what their key lines say."""

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

from matchlib.errors import InputError, Problem, nearest
from matchlib.facility import ids
from matchlib.facility.rooms import Facility
from matchlib.readings.formats.keys import Keys, read_header, rough_header
from matchlib.readings.formats.recognise import HEAD, entry_of, may_be_session, open_source, refuse_by_head
from matchlib.readings.session import Header

FOLDER = "readings"
_SIZE_LIMIT = 64_000_000  # ten thousand patches with full spectra; anything larger is no session
_LINK_OUT = "a link that leads out of the facility folder is not followed"


@dataclass(frozen=True, slots=True)
class Entry:
    """One file under ``readings/``.

    Attributes:
        digest: SHA-256 of the bytes that the index read; ``table``: of those without their key lines.
        display: Whose it is; empty where that cannot be told.
        header: What it says of itself; where ``problems`` stand, no more than when and what for; None where even
            that is unsure.
        problems: What is wrong with its key lines.
        warnings: What was not understood in them.
    """

    file: str
    digest: str
    table: str = field(repr=False)
    display: str
    header: Header | None
    problems: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()


def files_in(root: Path) -> Iterator[tuple[Path, str]]:
    """Yield every file under ``readings/`` in order, and what forbids to read it."""
    plain = "" if inside(root / FOLDER, root) else _LINK_OUT  # below it no folder is a link
    for folder, folders, names in os.walk(root / FOLDER):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in list(folders):
            if Path(folder, name).is_symlink():
                folders.remove(name)
                yield Path(folder, name), "a link to a folder is not followed"
        for name in sorted(names):
            if not name.startswith((".", "~$")):
                path = Path(folder, name)
                if path.is_symlink():
                    yield path, "" if inside(path, root) else _LINK_OUT
                else:
                    yield path, plain


def inside(path: Path, root: Path) -> bool:
    """Return whether a path, its links followed, lies in a folder."""
    try:
        return path.resolve().is_relative_to(root)
    except (OSError, RuntimeError, ValueError):  # a link to itself, a name no system has
        return False


def entry_from(path: Path, file: str, facility: Facility) -> Entry:
    """Return the index entry of a file; whatever is wrong stands in its problems."""
    data = b""
    try:
        data = read_bytes(path, file, facility)
        keys = open_source(data, file, facility).keys
    except InputError as error:
        return Entry(file, sha256(data).hexdigest(), "", "", None, error.problems)
    digest, table = sha256(data).hexdigest(), _table_digest(data)
    try:
        _check_owner(keys, facility)
        display = keys.get("display")
    except InputError as error:
        return Entry(file, digest, table, "", None, error.problems)
    try:
        header, warnings = read_header(keys.copy(), facility)
        _check_preset(header, keys, facility)
    except InputError as error:
        unsure = any(problem.column == "preset" for problem in error.problems)
        rough = None if unsure else rough_header(keys, facility)
        return Entry(file, digest, table, display, rough, error.problems)
    return Entry(file, digest, table, display, header, (), tuple(warnings))


def read_again(entry: Entry, facility: Facility) -> bytes:
    """Return the bytes of a file that the index has.

    Raises:
        InputError: They are no longer those that the index read.
    """
    data = read_bytes(facility.root / entry.file, entry.file, facility)
    if sha256(data).hexdigest() != entry.digest:
        raise InputError(Problem("this file changed while it was read", "run again", entry.file))
    return data


def _table_digest(data: bytes) -> str:
    """Return the SHA-256 of a file without its key lines."""
    lines = map(bytes.strip, data.splitlines())
    return sha256(b"\n".join([line for line in lines if line[:1] != b"#"])).hexdigest()


def read_bytes(path: Path, file: str, facility: Facility) -> bytes:
    """Return a file's bytes; refuse by its first bytes what cannot be a session, before reading the rest."""
    do = "set it aside with a reason, or move it out of readings/"
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise InputError(Problem("this is no file", do, file))
        with path.open("rb") as stream:
            head = stream.read(HEAD)
            if entry_of(file, facility) is None:
                refuse_by_head(head, file)
            if size > _SIZE_LIMIT:
                raise InputError(Problem(f"{size:,} bytes are more than any session has", do, file))
            if size > HEAD and not may_be_session(head, file, facility):
                what = f"none of the first {HEAD:,} bytes says '# display: …'"
                raise InputError(Problem(what, do, file, 1, "display"))
            return head + stream.read()
    except OSError as error:
        raise InputError(Problem(f"cannot be read: {error.strerror}", f"mend its access, or {do}", file)) from None


def _check_owner(keys: Keys, facility: Facility) -> None:
    """Refuse a file of which it cannot be told whose readings it holds."""
    display = keys.get("display")
    line = keys.values["display"][1] if "display" in keys.values else None
    doubled = [problem for problem in keys.problems if problem.column == "display"]
    if not display and doubled:
        raise InputError(doubled)
    if not display and keys.empty:
        what, do = "the file is empty", "export the session again, or set the file aside with a reason"
        raise InputError(Problem(what, do, keys.file, 1))
    if not display:
        what, do = f"no {keys.form('display')} says whose readings these are", "add it, or set the file aside"
        raise InputError(Problem(what, do, keys.file, line or 1, "display"))
    if display not in facility.projectors and display not in facility.rows:
        wrong = ids.fault(display)
        what = f"{display!r} is no id: it {wrong}" if wrong else f"no display {display!r} in this facility"
        known = [*facility.projectors, *(monitor.id for monitor in facility.monitors)]
        do = f"{nearest(display, known)}; add it to monitors.csv, or set the file aside with a reason"
        raise InputError(Problem(what, do, keys.file, line, "display"))


def _check_preset(header: Header, keys: Keys, facility: Facility) -> None:
    """Refuse a calibrated session of a preset that the inventory does not have."""
    presets = [monitor.preset for monitor in facility.rows.get(header.display, ())]
    if header.mode != "calibrated" or not presets or header.preset in presets:
        return
    line = keys.values["preset"][1] if "preset" in keys.values else None
    what = f"monitors.csv has no preset {header.preset!r} of {header.display}"
    do = f"{nearest(header.preset, presets, 'it has')}; add the row, or set the file aside with a reason"
    raise InputError(Problem(what, do, header.file, line, "preset"))
