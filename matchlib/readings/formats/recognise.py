"""Which reader a file gets: its entry of ``[[formats]]`` first, else what its first bytes say."""

import codecs
import re

from matchlib.encoding import Encoding
from matchlib.errors import InputError, Problem
from matchlib.facility.patterns import match_path
from matchlib.facility.rooms import Facility, Format
from matchlib.readings.formats.cgats import is_cgats, open_cgats
from matchlib.readings.formats.door import read_source
from matchlib.readings.formats.mapped_csv import open_mapped_csv
from matchlib.readings.formats.session_csv import open_session_csv
from matchlib.readings.formats.table import Source
from matchlib.readings.formats.workbook import ZIP, open_workbook
from matchlib.readings.session import Session

HEAD = 1 << 16  # bytes that tell
_COMPOUND = b"\xd0\xcf\x11\xe0"  # of old spreadsheets, and of those with a password
_ONE_SPECTRUM = re.compile(rb"<\s*IESTM2714\b")
_DISPLAY = re.compile(rb"^#[ \t]*display[ \t]*:", re.MULTILINE)
_ASIDE = "set it aside with a reason, or move it out of readings/"


def open_source(data: bytes, file: str, facility: Facility) -> Source:
    """Return a file's keys, and its table once that is asked for.

    Raises:
        InputError: No reader knows it.
    """
    entry = entry_of(file, facility)
    if entry is not None:
        return open_mapped_csv(data, file, entry)
    refuse_by_head(data[:HEAD], file)
    if data.startswith(ZIP):
        return open_workbook(data, file)
    if is_cgats(data[:HEAD]):
        return open_cgats(data, file)
    return open_session_csv(data, file)


def read_session(data: bytes, file: str, facility: Facility, display_encoding: Encoding) -> Session:
    """Return a checked session from the bytes of a file in any format.

    Raises:
        InputError: Every problem found, each with its place.
    """
    return read_source(open_source(data, file, facility), data, facility, display_encoding)


def entry_of(file: str, facility: Facility) -> Format | None:
    """Return the first entry of ``[[formats]]`` that a file fits."""
    return next((entry for entry in facility.formats if match_path(entry.files, file)), None)


def refuse_by_head(head: bytes, file: str) -> None:
    """Refuse by its first bytes what no reader knows."""
    if head.startswith(_COMPOUND):
        what = "this is an old spreadsheet, or one with a password"
        raise InputError(Problem(what, f"save it as .xlsx without a password, or {_ASIDE}", file))
    if _ONE_SPECTRUM.search(head):
        what = "this is an IES TM-27 file: one spectrum, without the signal it was read for; no session"
        do = f"write the spectra of a session as columns nm380, nm385, … beside r, g, b, or {_ASIDE}"
        raise InputError(Problem(what, do, file, 1))
    if b"\0" in head and not head.startswith(ZIP):
        if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            do = "save it as UTF-8, or describe such files under [[formats]] with their text_encoding"
            raise InputError(Problem("this text is UTF-16, a session file is UTF-8", do, file, 1))
        raise InputError(Problem("this is no text file", _ASIDE, file, 1))


def may_be_session(head: bytes, file: str, facility: Facility) -> bool:
    """Return whether the first bytes of a large file are worth the reading of the rest."""
    if entry_of(file, facility) is not None or head.startswith(ZIP) or is_cgats(head):
        return True
    return _DISPLAY.search(head.replace(b"\r", b"\n").removeprefix(b"\xef\xbb\xbf")) is not None
