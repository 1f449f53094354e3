"""Correction of a colorimeter against a reference instrument, from one display that both have read.

A correction is a 3×3 matrix, XYZ of the reference = matrix · XYZ read. It holds for the light it was made
with: it is refused on a monitor whose ``panel`` is another.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from matchlib.arrays import Array, Mask, read_only
from matchlib.errors import InputError, Problem
from matchlib.facility.rooms import Instrument
from matchlib.readings.session import Session, average_repeats, pair

FOUR_COLOUR, LEAST_SQUARES = "four-colour matrix", "least squares"
TRUSTED_DAYS = 365  # common practice, no source: filters age, and a year is asked of a calibration
_FULL = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 1))
_WORST_CONDITION = 1e4


@dataclass(frozen=True, slots=True)
class Residual:
    """How far one instrument is from the other over the pairs that both read.

    Attributes:
        uv: Root mean square of Δu′v′.
        luminance: Root mean square of the relative difference of Y.
    """

    uv: float
    luminance: float


@dataclass(frozen=True, slots=True, eq=False)
class Correction:
    """A colorimeter's correction for one kind of panel.

    Attributes:
        instrument: Whose readings it corrects; ``reference``: the instrument it follows.
        panel: Kind of panel it was made on.
        method: How the matrix was found.
        matrix: From XYZ read to XYZ of the reference, shape (3, 3).
        before: Residual of the readings as they are; ``after``: corrected.
        made: Day of the later of the two sessions.
        session: File of the colorimeter's session; ``reference_session``: of the reference's.
    """

    instrument: str
    reference: str
    panel: str
    method: str
    matrix: Array
    before: Residual
    after: Residual
    made: date
    session: str
    reference_session: str

    def age(self, day: date) -> int:
        """Return its age in days on a day; negative before it was made."""
        return (day - self.made).days

    def apply(self, xyz: Array, panel: str) -> Array:
        """Return corrected XYZ, shape (…, 3), of readings on a kind of panel.

        Raises:
            InputError: The correction was made on another kind of panel.
        """
        if panel != self.panel:
            what = (
                f"the correction of {self.instrument} was made on the panel {self.panel!r}; "
                f"it does not hold for {panel!r}"
            )
            do = f"read one {panel!r} monitor with {self.instrument} and {self.reference} and declare the pair"
            raise InputError(Problem(what, do, self.session))
        return np.asarray(xyz @ self.matrix.T)

    def apply_to(self, session: Session, panel: str) -> Session:
        """Return a session with its readings corrected.

        Raises:
            InputError: Another kind of panel, or another instrument.
        """
        if session.header.instrument != self.instrument:
            what = f"the session is of {session.header.instrument}, the correction of {self.instrument}"
            raise InputError(Problem(what, "use the correction of this instrument", session.file))
        return replace(session, xyz=read_only(self.apply(session.xyz, panel)))


@dataclass(frozen=True, slots=True)
class Meters:
    """The instruments of a facility and what corrects them.

    Attributes:
        instruments: By id.
        corrections: The newest by instrument and panel.
    """

    instruments: Mapping[str, Instrument]
    corrections: Mapping[tuple[str, str], Correction]

    def corrected(self, session: Session, panel: str) -> tuple[Session, Correction | None]:
        """Return a session as it counts, and the correction used on it where there is one."""
        correction = self.corrections.get((session.header.instrument, panel))
        return (session, None) if correction is None else (correction.apply_to(session, panel), correction)


def four_colour_matrix(read: Array, reference: Array) -> Array:
    """Return the correction by the four-colour method (Ohno & Hardis, CIC 5, 1997, pages 301 to 305).

    Only chromaticities enter, so that a luminance that jumps between the two readings of a colour does no
    harm; the scale comes from the luminance of white alone. Equations from memory, in their usual form:
    with the columns of M the x, y, z of red, green, blue and k = M⁻¹ (x, y, z of white), R = N·diag(k_N) ·
    (M·diag(k_M))⁻¹, N the reference's.

    Args:
        read: XYZ of red, green, blue, white by the instrument to be corrected, shape (4, 3).
        reference: The same by the reference, shape (4, 3).

    Raises:
        InputError: The primaries do not differ in colour.
    """
    matrix = _scaled_primaries(reference) @ np.linalg.inv(_scaled_primaries(read))
    return np.asarray(matrix * (reference[3, 1] / (matrix @ read[3])[1]))


def _scaled_primaries(colours: Array) -> Array:
    """Return the x, y, z of red, green, blue as columns, scaled to add up to those of white."""
    columns = (colours / colours.sum(axis=1, keepdims=True)).T
    _check_spread(columns[:, :3])
    return np.asarray(columns[:, :3] * np.linalg.solve(columns[:, :3], columns[:, 3]))


def least_squares_matrix(read: Array, reference: Array) -> Array:
    """Return the correction with the least squares of XYZ over all pairs: N·Mᵀ·(M·Mᵀ)⁻¹.

    The form of ASTM E1455, from memory. Errors of luminance enter it.

    Args:
        read: XYZ by the instrument to be corrected, shape (n, 3), n ≥ 3.
        reference: The same by the reference, shape (n, 3).

    Raises:
        InputError: The colours do not span the colours of a display.
    """
    _check_spread(read / np.linalg.norm(read, axis=1, keepdims=True))
    return np.asarray(np.linalg.lstsq(read, reference, rcond=None)[0].T)


def _check_spread(colours: Array) -> None:
    if min(colours.shape) < 3 or np.linalg.cond(colours) > _WORST_CONDITION:
        what = "the colours that both instruments read do not span a display's colours"
        raise InputError(Problem(what, "read full red, green, blue and white with both"))


@dataclass(frozen=True, slots=True, eq=False)
class ReadByBoth:
    """The patches of one display that two instruments read, repeats averaged.

    Attributes:
        labels: Name of each.
        read: XYZ by the instrument to be corrected, shape (n, 3), cd/m²; ``reference``: by the other.
        four: Places of full red, green, blue and of white, in this order, of those that both read.
    """

    labels: tuple[str, ...]
    read: Array
    reference: Array
    four: tuple[int, ...]


def read_by_both(session: Session, reference: Session) -> ReadByBoth:
    """Return what two sessions of one display have in common.

    Raises:
        InputError: Two displays, one instrument, or a display that was set otherwise between them.
    """
    _check_pair(session, reference)
    places = pair(session, reference)
    one, other = average_repeats(session), average_repeats(reference)
    paired = {here: place for place, (here, _, _) in enumerate(places)}
    found = [paired.get(-1 if (place := one.find(*signal)) is None else place) for signal in _FULL]
    return ReadByBoth(
        labels=tuple(label for _, _, label in places),
        read=read_only(one.xyz[[here for here, _, _ in places]]),
        reference=read_only(other.xyz[[there for _, there, _ in places]]),
        four=tuple(place for place in found if place is not None),
    )


def correction_from(session: Session, reference: Session, panel: str) -> Correction:
    """Return the correction that two sessions of one display give.

    By the four-colour method where both hold white and the full primaries, else by least squares over all
    pairs. The residuals are over all pairs, so that colours beside those four test it.

    Args:
        session: By the instrument to be corrected.
        reference: By the reference.
        panel: Kind of panel of the display.

    Raises:
        InputError: Two displays, one instrument, too few colours in common, or colours too much alike.
    """
    both = read_by_both(session, reference)
    read, wanted, four = both.read, both.reference, list(both.four)
    try:
        if len(four) < len(_FULL):
            method, matrix = LEAST_SQUARES, least_squares_matrix(read, wanted)
        else:
            method, matrix = FOUR_COLOUR, four_colour_matrix(read[four], wanted[four])
    except InputError as error:
        raise InputError(replace(error.problems[0], file=session.file)) from None
    return Correction(
        instrument=session.header.instrument,
        reference=reference.header.instrument,
        panel=panel,
        method=method,
        matrix=read_only(matrix),
        before=residual(read, wanted),
        after=residual(read @ matrix.T, wanted),
        made=max(session.header.measured, reference.header.measured).date(),
        session=session.file,
        reference_session=reference.file,
    )


def residual(read: Array, reference: Array) -> Residual:
    """Return how far readings are from a reference's, shape (n, 3) both; black patches are left out.

    A patch below a thousandth of the brightest is noise to an inexpensive colorimeter: its chromaticity and
    its ratio say nothing of the filters.
    """
    lit = lit_patches(reference)
    distance, ratio = uv_distance(read[lit], reference[lit]), read[lit, 1] / reference[lit, 1] - 1
    return Residual(float(np.sqrt((distance**2).mean())), float(np.sqrt((ratio**2).mean())))


def lit_patches(reference: Array) -> Mask:
    """Return which patches are above a thousandth of the brightest, shape (n,) of XYZ (n, 3)."""
    return np.asarray(reference[:, 1] > 1e-3 * reference[:, 1].max())


def uv_distance(one: Array, other: Array) -> Array:
    """Return Δu′v′ of XYZ, shape (n,) of (n, 3)."""
    return np.asarray(np.hypot(*(_uv(one) - _uv(other)).T))


def _uv(xyz: Array) -> Array:
    """Return CIE 1976 u′, v′ (CIE 015:2018, 8.2.2)."""
    return np.asarray(np.stack([4 * xyz[:, 0], 9 * xyz[:, 1]], axis=-1) / (xyz @ [1.0, 15.0, 3.0])[:, None])


def _check_pair(session: Session, reference: Session) -> None:
    here, there = session.header, reference.header
    if here.display != there.display:
        what = f"it shows {here.display}, and {reference.file} shows {there.display}"
        raise InputError(Problem(what, "a correction needs one display read by both", session.file))
    if here.instrument == there.instrument:
        what = f"it is of {here.instrument}, and so is {reference.file}"
        raise InputError(Problem(what, "a correction needs two instruments", session.file))
    if here.mode != there.mode or here.preset != there.preset:
        what = f"the display stood otherwise (mode, preset) when {reference.file} was read"
        raise InputError(Problem(what, "a correction needs one display that nobody touched", session.file))
