"""What moved on a screen from one session to another, each figure against its uncertainty."""

from dataclasses import dataclass, replace

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.ageing import COVER
from matchlib.matching.errors_of_readings import Display
from matchlib.matching.fitting import fit_display
from matchlib.matching.history import SET_UP
from matchlib.matching.lengths import Length
from matchlib.matching.misreading import Misread
from matchlib.matching.reference import errors_of_screen
from matchlib.matching.result import Figures
from matchlib.matching.solving import figures_of
from matchlib.matching.uncertainty import Uncertainty, drawn_errors, effective_freedom, misread
from matchlib.patches import standard_list
from matchlib.perception.difference import uv, xyz_to_lab
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Session, average_repeats

COLOURS = ("white", "red", "green", "blue")
_LENGTHS = (*COLOURS, "tone")
_UNITS = {"luminance": "relative"} | dict.fromkeys(COLOURS, "Δu′v′")
_UNITS |= {"gamma": "", "tone": "L*", "contrast": "relative"}


@dataclass(frozen=True, slots=True)
class Moved:
    """One figure of a screen before and after.

    Attributes:
        name: ``luminance``, ``white``, ``red``, ``green``, ``blue``, ``gamma``, ``tone`` or ``contrast``.
        before: cd/m², CIE 1931 x, y, gamma or contrast; None for ``tone``. ``after``: the same.
        change: Signed and relative for luminance and contrast, signed for gamma, Δu′v′ for colours; for ``tone``
            the largest change of L* of a grey of the standard list, each session to its own white.
        uncertainty: Of the change (k = 2); for lengths what errors alone make of no change in 95 % of readings.
        real: Whether the change is larger than its uncertainty.
    """

    name: str
    before: tuple[float, ...] | None
    after: tuple[float, ...] | None
    change: float
    uncertainty: float
    unit: str
    real: bool


@dataclass(frozen=True, slots=True, eq=False)
class ScreenChange:
    """A screen before and after a lamp change.

    Attributes:
        entry: Id of the projector entry.
        before: Session with the old lamp; ``after``: with the new one.
        one_instrument: Whether one instrument read both.
        unrepeated: Files without a patch that was read twice: nothing tells how well the instrument repeats itself.
        moved: What moved.
        white_step: u′, v′ of white after less before, shape (2,); ``white_covariance``: of that, shape (2, 2).
        greys: Signals of the greys of the standard list, shape (k,).
        light: Luminance of the greys, before and after, shape (2, k), cd/m².
    """

    entry: str
    before: Session
    after: Session
    figures: tuple[Figures, Figures]
    one_instrument: bool
    unrepeated: tuple[str, ...]
    moved: tuple[Moved, ...]
    white_step: Array
    white_covariance: Array
    greys: Array
    light: Array

    def of(self, name: str) -> Moved | None:
        """Return one figure; None where it could not be told."""
        return next((entry for entry in self.moved if entry.name == name), None)


def screen_change(entry: str, before: Session, after: Session, meters: Meters) -> ScreenChange:
    """Return what moved on a screen from one session to another.

    Both sessions go through the same draws of errors (JCGM 101:2008): what one instrument's scale, and the common
    share of its chromaticity error, make of both cancels. Where a session has no repeats nothing cancels: its
    scatter is not known, and the instrument's stated uncertainty stands for it.
    """
    responses = [fit_display(session) for session in (before, after)]
    figures = [
        figures_of(session, response, meters.instruments[session.header.instrument])
        for session, response in zip((before, after), responses, strict=True)
    ]
    errors = [
        errors_of_screen(session, response, meters)
        for session, response in zip((before, after), responses, strict=True)
    ]
    unrepeated = tuple(session.file for session in (before, after) if not (average_repeats(session).count > 1).any())
    sure = _sure(errors[0], _unlike(errors[1]) if unrepeated else errors[1], figures)
    places = _grey_places()
    signal = standard_list().signal[places]
    names = [name for name in _UNITS if name in sure.values]
    further = _set_up_anew(figures)
    further["contrast"] = float(np.hypot(further["contrast"], _unsure_zeros((before, after), figures, meters)))
    return ScreenChange(
        entry=entry,
        before=before,
        after=after,
        figures=(figures[0], figures[1]),
        one_instrument=before.header.instrument == after.header.instrument,
        unrepeated=unrepeated,
        moved=tuple(_moved(name, figures, sure, further[name]) for name in names),
        white_step=np.array([sure.values["white_u"], sure.values["white_v"]]),
        white_covariance=sure.white_covariance + 2 * SET_UP["white"] ** 2 * np.eye(2),
        greys=signal[:, 0],
        light=np.array([response.forward(signal)[:, 1] for response in responses]),
    )


def _set_up_anew(figures: list[Figures]) -> dict[str, float]:
    """Return what setting up the instrument anew on another day makes of no change: expanded, k = 2, by figure.

    For lengths what it makes of them in 95 % of cases: of two normal errors √(−2 ln .05) times one's. A step of gamma
    moves L* of a grey the most where its light is 1/e³ of white's, by 116 / (e γ) for each unit of gamma.
    """
    both = np.sqrt(2)  # two sessions
    gammas = [entry.gamma for entry in figures if entry.gamma]
    gamma = 2 * both * SET_UP["gamma"]
    tone = 116 / (np.e * min(gammas)) * gamma if gammas else 0.0
    length = np.sqrt(-2 * np.log(1 - COVER)) * both * SET_UP["white"]
    contrast = 2 * both * np.hypot(SET_UP["peak"], SET_UP["black"])
    found = {"luminance": 2 * both * SET_UP["peak"], "gamma": gamma, "tone": tone, "contrast": contrast}
    return {name: float(value) for name, value in (found | dict.fromkeys(COLOURS, length)).items()}


def _unlike(display: Display) -> Display:
    """Return a display as if an instrument of its own had read it, as good as the one that did."""
    return display if display.sources is None else replace(display, sources=replace(display.sources, instrument=""))


def _unsure_zeros(sessions: tuple[Session, Session], figures: list[Figures], meters: Meters) -> float:
    """Return the expanded uncertainty (k = 2) of a relative change of contrast by the zero of the instrument.

    Its zero may stand elsewhere in each session by about half its floor, which repeats within one do not show.
    """
    shares = [
        meters.instruments[session.header.instrument].floor / entry.black
        for session, entry in zip(sessions, figures, strict=True)
        if entry.black
    ]
    return float(np.hypot.reduce(shares)) if shares else 0.0


def _moved(name: str, figures: list[Figures], sure: Uncertainty, more: float) -> Moved:
    """Return one figure; ``more`` is an expanded uncertainty beside that of the draws."""
    change = sure.values[name]
    uncertainty = float(np.hypot(sure.least_expanded(name), more))
    before, after = (_figure(name, entry) for entry in figures)
    return Moved(name, before, after, change, uncertainty, _UNITS[name], abs(change) > uncertainty)


def _figure(name: str, figures: Figures) -> tuple[float, ...] | None:
    value = getattr(figures, f"{name}_xy" if name in COLOURS else name, None)
    return value if value is None or isinstance(value, tuple) else (value,)


def _sure(before: Display, after: Display, figures: list[Figures]) -> Uncertainty:
    """Return the changes and how sure they are; contrast and gamma only where both sessions tell them."""
    drawn = drawn_errors()
    plain, vectors = _changes(*misread(before, after, 0 * drawn[:1]))
    samples, erring = _changes(*misread(before, after, drawn))
    shift = np.subtract(figures[1].gamma, figures[0].gamma) if figures[0].gamma and figures[1].gamma else None
    known = {"luminance", "white_u", "white_v"}
    if shift is not None:
        plain["gamma"], samples["gamma"] = plain["gamma"] + shift, samples["gamma"] + shift
        known.add("gamma")
    if all(entry.contrast is not None for entry in figures) and np.isfinite(samples["contrast"]).all():
        known.add("contrast")
    lengths = {name: Length(vectors[name][0], erring[name] - vectors[name], _largest) for name in _LENGTHS}
    carried = {name: samples[name][:, None] for name in known}
    carried |= {name: length.errors.reshape(len(drawn), -1) for name, length in lengths.items()}
    freedoms = [np.inf if display.scatter is None else display.scatter.freedom for display in (before, after)]
    return Uncertainty(
        {name: samples[name] for name in known},
        {name: float(plain[name][0]) for name in known} | {name: found.value for name, found in lengths.items()},
        lengths,
        {name: effective_freedom(drawn, found, freedoms) for name, found in carried.items()},
    )


def _largest(lengths: Array) -> Array:
    return np.asarray(lengths.max(axis=-1))


def _changes(ours: Misread, theirs: Misread) -> tuple[dict[str, Array], dict[str, Array]]:
    """Return signed changes by name, shape (s,), and the vectors of those that are lengths, shape (s, m, k)."""
    whites = ours.white(), theirs.white()
    contrasts = [
        _contrast(white[:, 1], read.black()[:, 1]) for white, read in zip(whites, (ours, theirs), strict=True)
    ]
    step = uv(whites[1]) - uv(whites[0])
    primaries = uv(theirs.primaries()) - uv(ours.primaries())
    signed = {
        "luminance": whites[1][:, 1] / whites[0][:, 1] - 1,
        "white_u": step[:, 0],
        "white_v": step[:, 1],
        "gamma": theirs.gamma() - ours.gamma(),
        "contrast": contrasts[1] / contrasts[0] - 1,
    }
    vectors = {"white": step[:, None], "tone": (_lightness(theirs) - _lightness(ours))[..., None]}
    vectors |= {name: primaries[:, [i]] for i, name in enumerate(COLOURS[1:])}
    return signed, vectors


def _contrast(white: Array, black: Array) -> Array:
    """Return white over black, shape (s,); NaN where black is not above 0."""
    return np.divide(white, black, out=np.full_like(white, np.nan), where=black > 0)


def _grey_places() -> list[int]:
    """Return where the greys stand in the standard list, dark to light."""
    signal = standard_list().signal
    greys = np.flatnonzero(signal.min(axis=1) == signal.max(axis=1))
    return greys[np.argsort(signal[greys, 0], kind="stable")].tolist()  # type: ignore[no-any-return]


def _lightness(read: Misread) -> Array:
    """Return L* of the greys to their own white, shape (s, k)."""
    greys = read.read()[:, _grey_places()]
    return np.asarray(xyz_to_lab(greys, greys[:, -1:])[..., 0])
