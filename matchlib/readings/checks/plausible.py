"""Whether the readings can be those of a display at all, and whether the file means what it says."""

from collections.abc import Iterator
from itertools import permutations

import numpy as np

from matchlib.arrays import Array
from matchlib.encoding import peak_code
from matchlib.readings.checks.evidence import CHANNELS, Evidence, chromaticities, signal_name
from matchlib.readings.checks.finding import MEASURE_AGAIN, NOTE, REFUSE, WARN, Check, Context, Remark
from matchlib.readings.session import Session

FOOTLAMBERT = 3.4262591  # cd/m² (1/π candela per square foot)
LEAST_CONTRAST = 1.2  # brightest to darkest reading; no display that works shows less. Common practice, no source
BLACK_SHARE = 0.5  # of white; above it black is no black. Common practice, no source
BEYOND_NOISE = 4.0  # standard deviations: one false alarm in some 16,000 looks at normal scatter
UNIT_MARGIN = 0.10  # relative: a peak within it of 1/3.426 of what is known is taken for fL. No source
BELOW_LIGHT = 0.05  # of y under the line of purples: more than any instrument errs. No source
CLEARLY = 0.05  # of a chromaticity: primaries nearer than this are not told apart. No source
# Highest codes that files hold: fractions, per cent, and 8, 10, 12, 16 bits, whole range or video range
# (black 16 or 64, white 235 or 940: ITU-R BT.709-6; 12 bits likewise).
TOP_CODES = (1, 100, 235, 255, 940, 1023, 3760, 4095, 65535)
# Ends of the line of purples, CIE 1931 x, y at 380 and 780 nm (ISO/CIE 11664-1).
_VIOLET, _RED = (0.1741, 0.0050), (0.7347, 0.2653)
_UNITS = "correct luminance_unit (cd/m2 or fL) in the file's key lines, or in the export, if that is so"


def _is_alike(evidence: Evidence) -> bool:
    luminance, drive = evidence.patches.xyz[:, 1], evidence.patches.signal.max(axis=1)
    if len(drive) < 2 or drive.max() - drive.min() < 0.5:
        return False
    return bool(luminance.max() < LEAST_CONTRAST * luminance.min() or np.ptp(evidence.session.xyz[:, 1]) == 0)


def _alike(evidence: Evidence, _: Context) -> Iterator[Remark]:
    luminance, drive = evidence.patches.xyz[:, 1], evidence.patches.signal.max(axis=1)
    if _is_alike(evidence):
        low, high = float(luminance.min()), float(luminance.max())
        yield Remark(
            REFUSE,
            f"all readings are alike, between {low:.4g} and {high:.4g} cd/m², though the signal goes from "
            f"{drive.min():.2g} to {drive.max():.2g} of full: the patches never reached the screen",
        )


def _black(evidence: Evidence, _: Context) -> Iterator[Remark]:
    if evidence.black is None or _is_alike(evidence):
        return
    black = float(evidence.black[1])
    white = None if evidence.white is None else float(evidence.white[1])
    if white is not None and black >= BLACK_SHARE * white:
        yield Remark(REFUSE, f"black reads {black:.4g} cd/m², white {white:.4g}")


def _black_step(evidence: Evidence, _: Context) -> Iterator[Remark]:
    if evidence.black is None or _is_alike(evidence):
        return
    black = float(evidence.black[1])
    for name, signal, xyz in evidence.ramps():
        if len(signal) and signal[-1] > signal[0]:
            step = float(xyz[0, 1])
            if black - step > BEYOND_NOISE * np.hypot(*evidence.noise(np.array([black, step]))):
                yield Remark(
                    WARN,
                    f"black reads {black:.4g} cd/m², above the next step of the {name} ramp, {step:.4g} at "
                    f"{100 * signal[0]:.3g} % signal",
                    "look for light that was on while black was read, or a black read too early; measure again",
                )


def _dark_primaries(evidence: Evidence, _: Context) -> Iterator[Remark]:
    if evidence.black is None or _is_alike(evidence):
        return
    for name, row in zip(CHANNELS, np.eye(3).tolist(), strict=True):
        place = evidence.patches.find(*row)
        if place is not None and evidence.patches.xyz[place, 1] <= evidence.black[1]:
            found = evidence.patches.xyz[place, 1]
            what = f"full {name} reads {found:.4g} cd/m², no more than black {evidence.black[1]:.4g}"
            yield Remark(REFUSE, what)


def _under_purple(xyz: Array) -> Array:
    """Return how far below the line of purples the light lies, in y, shape (n,)."""
    x, y, _ = np.moveaxis(chromaticities(xyz), -1, 0)
    slope = (_RED[1] - _VIOLET[1]) / (_RED[0] - _VIOLET[0])
    return np.asarray(_VIOLET[1] + slope * (x - _VIOLET[0]) - y)


def _swapped_values(evidence: Evidence, _: Context) -> Iterator[Remark]:
    primaries = evidence.primaries
    if primaries is None or not _bright(evidence, primaries):
        return
    depth = _under_purple(primaries)
    if depth.max() <= BELOW_LIGHT:
        return
    worst = int(depth.argmax())
    x, y, _z = chromaticities(primaries)[worst]
    what = f"full {CHANNELS[worst]} reads x {x:.3f}, y {y:.3f}, a colour that no light has"
    if _under_purple(primaries[:, ::-1]).max() <= 0.01:
        what += "; with X and Z exchanged all three primaries are ordinary: the columns are swapped"
    yield Remark(REFUSE, what, "correct the column names X, Y, Z in the export, or set the file aside with a reason")


def _swapped_signals(evidence: Evidence, _: Context) -> Iterator[Remark]:
    primaries = evidence.primaries
    if primaries is None or not _bright(evidence, primaries) or _under_purple(primaries).max() > BELOW_LIGHT:
        return
    colour = chromaticities(primaries)  # red has the largest x, green the largest y, blue the largest z
    if np.ptp(colour, axis=0).min() < CLEARLY:
        return
    best = max(permutations(range(3)), key=lambda order: sum(colour[order[c], c] for c in range(3)))
    margin = sum(colour[best[c], c] - colour[c, c] for c in range(3))
    if best != (0, 1, 2) and margin > CLEARLY:
        shown = ", ".join(
            f"full {name} shows {CHANNELS[best.index(place)]} (x {colour[place, 0]:.3f}, y {colour[place, 1]:.3f})"
            for place, name in enumerate(CHANNELS)
            if best[place] != place
        )
        yield Remark(
            REFUSE,
            f"{shown}: the columns r, g, b are swapped, or the cable or the menu of the display swaps them",
            "correct the column names r, g, b in the export, or the connection, and measure again; or set the "
            "file aside with a reason",
        )


def _bright(evidence: Evidence, primaries: Array) -> bool:
    """Return whether every primary is far enough above the floor for its colour to be known."""
    return bool(primaries.sum(axis=1).min() > 20 * evidence.floor and primaries[:, 1].min() > 0)


def _unit(evidence: Evidence, context: Context) -> Iterator[Remark]:
    white = evidence.white
    if white is None:
        return
    known = _known_peaks(evidence.session, context)
    scaled = evidence.session.header.scale != 1  # the file declares fL
    for peak, source in known:
        ratio = float(white[1]) * (1 / FOOTLAMBERT if scaled else FOOTLAMBERT) / peak
        if abs(ratio - 1) < UNIT_MARGIN:
            declared, meant = ("fL", "cd/m²") if scaled else ("cd/m²", "fL")
            yield Remark(
                WARN,
                f"white reads {white[1]:.4g} cd/m² where {source} {peak:.4g}: {FOOTLAMBERT:.3f} times too "
                f"{'much' if scaled else 'little'}, as if {meant} had been declared as {declared}",
                _UNITS,
            )
            return


def _known_peaks(session: Session, context: Context) -> Iterator[tuple[float, str]]:
    """Yield the peaks that are known, and how to say where from."""
    for other in context.earlier:
        white = Evidence(other).white
        if white is not None and white[1] > 0:
            yield float(white[1]), f"{other.file} has"
    if context.nominal_luminance and session.header.mode == "calibrated" and not context.earlier:
        yield context.nominal_luminance, "the display is meant to have"


def _range(evidence: Evidence, _: Context) -> Iterator[Remark]:
    header, signal = evidence.session.header, evidence.session.signal
    if evidence.white is not None or not len(signal):
        return
    full = peak_code(evidence.session.encoding) * (header.signal_max - header.signal_min)
    codes = header.signal_min + signal * full
    tops = np.round(codes.max(axis=0), 6)
    top = float(tops.max())
    if top in TOP_CODES and np.ptp(tops) == 0 and evidence.peak > 0 and top < header.signal_max:
        yield Remark(
            WARN,
            f"signal_max is {header.signal_max:g} but no code is above {top:g}, in r, g and b alike, and white is "
            f"missing: the codes look as if {top:g} were full signal",
            f"write '# signal_max: {top:g}' if that is so (with signal_min 16, 64 or 256 for video range)",
        )


def _unread_zero(evidence: Evidence, _: Context) -> Iterator[Remark]:
    session = evidence.session
    zero = np.flatnonzero(np.all(session.xyz == 0, axis=1) & session.in_range)
    lit = session.xyz[:, 1] > 2 * evidence.floor
    bad = [
        row
        for row in zero.tolist()
        if np.any(lit & np.all(session.signal <= session.signal[row], axis=1) & session.in_range)
    ]
    if bad:
        count = f"{len(bad)} readings are" if len(bad) > 1 else "a reading is"
        yield Remark(
            REFUSE,
            f"{count} exactly 0, 0, 0, first at {signal_name(session.signal[bad[0]])}, though the same or a darker "
            "signal gave light: the zero means that nothing was read",
            f"take the row out of the export, or {MEASURE_AGAIN}",
        )
    elif len(zero):
        yield Remark(
            WARN if session.signal[zero].max() > 0 else NOTE,
            f"{len(zero)} reading{'s' if len(zero) > 1 else ''} of exactly 0, 0, 0, the brightest at "
            f"{signal_name(session.signal[zero[-1]])}: below the instrument's range, or not read",
            "take out what was not read; else use an instrument that reads lower",
        )


REFUSING = (
    Check("readings alike", _alike),
    Check("black", _black),
    Check("primaries without light", _dark_primaries),
    Check("X and Z swapped", _swapped_values),
    Check("r, g, b swapped", _swapped_signals),
    Check("zero not read", _unread_zero),
)
PLAUSIBLE = (
    *REFUSING,
    Check("black above a step", _black_step),
    Check("luminance unit", _unit),
    Check("signal range", _range),
)
