"""The corrections that ``facility.toml`` declares, found through the archive."""

from collections.abc import Iterable

from matchlib.errors import InputError, Problem
from matchlib.facility.rooms import CorrectionPair
from matchlib.readings.archive import Archive
from matchlib.readings.instrument import Correction, correction_from
from matchlib.readings.session import Session


def newest_corrections(archive: Archive, needed: Iterable[tuple[str, str]]) -> dict[tuple[str, str], Correction]:
    """Return the newest correction by instrument and panel, of those that are needed.

    Args:
        archive: The facility's readings; what is set aside in it or later than its day gives no correction.
        needed: Instruments and the panels that they have read.

    Raises:
        InputError: A pair that is needed cannot be read, or gives no correction.
    """
    needed = set(needed)
    found: dict[tuple[str, str], Correction] = {}
    for pair in archive.facility.corrections:
        key = (pair.instrument, panel_of(archive, archive.display_of(pair.session)))
        if not key[1]:  # of a projector: no panel, and no two screens have the same light
            continue
        sessions = paired_sessions(archive, pair) if key in needed else None
        if sessions is not None:
            correction = correction_from(*sessions, key[1])
            if key not in found or correction.made > found[key].made:
                found[key] = correction
    return found


def paired_sessions(archive: Archive, pair: CorrectionPair) -> tuple[Session, Session] | None:
    """Return the two sessions of a correction; None where one is set aside or later than the archive's day.

    Raises:
        InputError: One of them cannot be read or believed, or is not of the instrument declared.
    """
    own, other = archive.entry(pair.session), archive.entry(pair.reference_session)
    if own is None or other is None:
        return None
    session, reference = archive.read(own), archive.read(other)
    if session.header.instrument != pair.instrument:
        what = f"[[corrections]] says {pair.instrument}, the file {session.header.instrument}"
        raise InputError(Problem(what, "correct one of them", pair.session, None, "instrument"))
    return session, reference


def panel_of(archive: Archive, display: str) -> str:
    """Return the kind of panel of a monitor; empty for a projector."""
    return next((row.panel for row in archive.facility.rows.get(display, ())), "")
