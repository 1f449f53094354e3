"""How far an instrument is from its reference on one kind of panel, what corrects it best, and for how long."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from matchlib.arrays import Array
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Instrument
from matchlib.readings.archive import Archive
from matchlib.readings.instrument import (
    FOUR_COLOUR,
    LEAST_SQUARES,
    TRUSTED_DAYS,
    Correction,
    ReadByBoth,
    Residual,
    correction_from,
    four_colour_matrix,
    least_squares_matrix,
    lit_patches,
    read_by_both,
    residual,
)
from matchlib.readings.pairs import paired_sessions, panel_of

AS_READ = "as read"
SAME_FOUR, EACH_LEFT_OUT = f"{LEAST_SQUARES}, the same four", f"{LEAST_SQUARES}, all but the one tested"
_FULL_COLOURS = 4


@dataclass(frozen=True, slots=True, eq=False)
class CheckedPair:
    """One display read by the instrument and by its reference, and the correction that this gives.

    Attributes:
        display: Id of the display.
        patches: What both read.
    """

    display: str
    patches: ReadByBoth
    correction: Correction

    @property
    def corrected(self) -> Array:
        """XYZ of the instrument, corrected, shape (n, 3), cd/m²."""
        return np.asarray(self.patches.read @ self.correction.matrix.T)

    @property
    def tested(self) -> Array:
        """Places of the lit patches that the four-colour matrix is not made from: they can prove it wrong."""
        lit = lit_patches(self.patches.reference)
        lit[list(self.patches.four)] = False
        return np.asarray(np.flatnonzero(lit))


@dataclass(frozen=True, slots=True)
class Use:
    """A session that counts and that this instrument read.

    Attributes:
        panel: Of the monitor.
        age: Days from the making of the newest correction to the session; None on another kind of panel, where
            it is not used.
    """

    monitor: str
    panel: str
    session: str
    age: int | None

    @property
    def trusted(self) -> bool:
        """Whether the correction is used here, and made within a year."""
        return self.age is not None and abs(self.age) <= TRUSTED_DAYS


@dataclass(frozen=True, slots=True)
class Drift:
    """What an older correction leaves on the newest pair's readings.

    Attributes:
        made: Day of the older correction; ``days``: from then to the newest.
        after: Its residual on the patches of the newest pair that are tested.
    """

    made: date
    days: int
    after: Residual


@dataclass(frozen=True, slots=True, eq=False)
class InstrumentCheck:
    """An instrument against its reference on one kind of panel.

    Attributes:
        instrument: What is checked; ``reference``: what it follows.
        pairs: Oldest first; at least one.
        uses: Sessions that count and that the instrument read, on whatever panel.
    """

    instrument: Instrument
    reference: Instrument
    panel: str
    pairs: tuple[CheckedPair, ...]
    uses: tuple[Use, ...]

    @property
    def newest(self) -> CheckedPair:
        """The pair whose correction is in use."""
        return self.pairs[-1]


def check_instrument(facility: str | Path, instrument: str, panel: str) -> InstrumentCheck:
    """Return the check of an instrument on a kind of panel, from the pairs that the facility declares.

    Args:
        facility: The facility folder.
        instrument: Id of the instrument that is corrected.
        panel: Kind of panel, as in ``monitors.csv``.

    Raises:
        InputError: No such instrument, no pair of sessions on such a panel, one that cannot be read, or a newest
            one of nothing but the four full colours.
    """
    archive = Archive(read_facility(facility))
    meters = archive.facility.instruments
    if instrument not in meters:
        raise InputError(Problem(f"no instrument {instrument!r} in this facility", nearest(instrument, meters)))
    pairs = _pairs(archive, instrument, panel)
    if not pairs:
        what = f"no [[corrections]] has a pair of sessions by {instrument} on the panel {panel!r}"
        do = f"read one {panel!r} monitor with {instrument} and with a reference, and declare the pair"
        raise InputError(Problem(what, do, "facility.toml"))
    newest = pairs[-1].correction
    if not len(pairs[-1].tested):
        what = "it holds only the colours that make the correction: nothing tests it"
        raise InputError(Problem(what, "read greys and mixed colours too, with both", newest.session))
    return InstrumentCheck(meters[instrument], meters[newest.reference], panel, pairs, _uses(archive, newest))


def _pairs(archive: Archive, instrument: str, panel: str) -> tuple[CheckedPair, ...]:
    displays = {entry.file: entry.display for entry in archive.entries}
    found = []
    for declared in archive.facility.corrections:
        display = displays.get(declared.session, "")
        if declared.instrument != instrument or panel_of(archive, display) != panel:
            continue
        sessions = paired_sessions(archive, declared)
        if sessions is not None:
            found.append(CheckedPair(display, read_by_both(*sessions), correction_from(*sessions, panel)))
    return tuple(sorted(found, key=lambda pair: pair.correction.made))


def _uses(archive: Archive, correction: Correction) -> tuple[Use, ...]:
    found = []
    for monitor in archive.facility.monitors:
        for choice in (archive.calibrated_choice(monitor), archive.native_choice(monitor)):
            session = choice.session
            if session is not None and session.header.instrument == correction.instrument:
                age = correction.age(session.header.measured.date()) if monitor.panel == correction.panel else None
                found.append(Use(monitor.id, monitor.panel, session.file, age))
    return tuple(found)


def compare_methods(pair: CheckedPair) -> dict[str, Residual]:
    """Return what each method leaves on the patches that the four-colour matrix is not made from.

    Each is tested on colours that did not make it: the matrices of the four full colours on all others, the
    least squares over all patches on each patch in turn, left out of the fit.
    """
    read, wanted, tested = pair.patches.read, pair.patches.reference, pair.tested
    four = list(pair.patches.four)
    found = {AS_READ: read[tested]}
    if len(four) == _FULL_COLOURS:
        found[FOUR_COLOUR] = read[tested] @ four_colour_matrix(read[four], wanted[four]).T
        found[SAME_FOUR] = read[tested] @ least_squares_matrix(read[four], wanted[four]).T
    found[EACH_LEFT_OUT] = _each_left_out(read, wanted, tested)
    return {name: residual(xyz, wanted[tested]) for name, xyz in found.items()}


def _each_left_out(read: Array, wanted: Array, tested: Array) -> Array:
    """Return the tested readings, each corrected by the least squares over all the others."""
    rows = []
    for place in tested.astype(int).tolist():
        kept = np.arange(len(read)) != place
        rows.append(read[place] @ least_squares_matrix(read[kept], wanted[kept]).T)
    return np.array(rows)


def drift_of(check: InstrumentCheck) -> tuple[Drift, ...]:
    """Return what each older correction leaves on the newest pair, oldest first; empty with one pair."""
    newest = check.newest
    read, wanted = newest.patches.read[newest.tested], newest.patches.reference[newest.tested]
    return tuple(
        Drift(
            pair.correction.made,
            pair.correction.age(newest.correction.made),
            residual(read @ pair.correction.matrix.T, wanted),
        )
        for pair in check.pairs[:-1]
    )
