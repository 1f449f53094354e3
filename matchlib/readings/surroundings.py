"""What the facility knows around a session: its panel, its earlier sessions, files that hold the same readings."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Protocol, TypeVar

from matchlib.facility.rooms import Facility, Monitor
from matchlib.readings.checks.finding import Context, Twin
from matchlib.readings.session import Header, Session


class _Filed(Protocol):
    """A file of the archive."""

    @property
    def file(self) -> str: ...
    @property
    def table(self) -> str: ...
    @property
    def header(self) -> Header | None: ...


_File = TypeVar("_File", bound=_Filed)


def context_of(
    facility: Facility,
    session: Session,
    earlier: Sequence[Session],
    twins: Iterable[_Filed] = (),
    contact: Sequence[Session] = (),
) -> Context:
    """Return the context of a session.

    Args:
        facility: Where it was measured.
        session: The one that counts.
        earlier: The other complete sessions of the same display, mode and preset, newest first.
        twins: Files with the same table of readings.
        contact: Sessions of [[corrections]] that a contact instrument read in the same state, newest first.
    """
    header = session.header
    row = _row(facility, header)
    return Context(
        instrument=facility.instruments[header.instrument],
        panel="projector" if row is None else row.panel,
        nominal_luminance=session.encoding.luminance if row is None else None,
        earlier=tuple(earlier),
        contact=tuple(contact),
        day=header.measured.astimezone(facility.time_zone).date(),
        adjusted=date.fromisoformat(row.adjusted) if row is not None and row.adjusted else None,
        twins=tuple(
            Twin(header.file, header.display, header.mode)
            for header in (twin.header for twin in twins)
            if header is not None and not _same_moment(header, session.header)
        ),
    )


def same_tables(files: Iterable[_File]) -> dict[str, tuple[_File, ...]]:
    """Return the other files that hold the same table of readings, by file; files without any are left out."""
    groups: dict[str, list[_File]] = {}
    for entry in files:
        if entry.header is not None:
            groups.setdefault(entry.table, []).append(entry)
    return {
        entry.file: tuple(other for other in group if other is not entry)
        for group in groups.values()
        if len(group) > 1
        for entry in group
    }


def _row(facility: Facility, header: Header) -> Monitor | None:
    """Return the row of a display, that of the preset where there is one; None for a projector."""
    rows = facility.rows.get(header.display, ())
    return next((row for row in rows if row.preset == header.preset), rows[0] if rows else None)


def _same_moment(one: Header, other: Header) -> bool:
    """Tell a file filed twice under one instant: the choice of the session says that already."""
    return (one.display, one.mode, one.measured) == (other.display, other.mode, other.measured)
