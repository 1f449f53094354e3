"""A session: the readings of one display taken in one go."""

from dataclasses import dataclass
from datetime import datetime
from weakref import WeakKeyDictionary

import numpy as np

from matchlib.arrays import Array, Mask, Places, read_only
from matchlib.encoding import PLAIN_STEP, Encoding, light_to_pq, normalised_matrix, peak_code
from matchlib.errors import Problem

PAIRING_STEP = PLAIN_STEP


@dataclass(frozen=True, slots=True)
class Header:
    """What a session file says of itself.

    Attributes:
        measured: Aware instant.
        signal_min: Code of zero signal; ``signal_max``: code of full signal.
        encoding: Of the signals; None: the display's.
        hours: Lamp or panel hours.
        scale: What brings the file's luminance unit to cd/m².
        veil_included: Whether room light is in the readings.
        radiance_unit: Of the file's spectra: ``W/sr/m2/nm``, or ``W/sr/m2`` per band; empty where it has none.
    """

    file: str
    display: str
    measured: datetime
    instrument: str
    signal_max: float
    signal_min: float = 0.0
    mode: str = "calibrated"
    preset: str = ""
    encoding: Encoding | None = None
    hours: float | None = None
    scale: float = 1.0
    position: str = "centre"
    window: str = ""
    veil_included: bool = True
    note: str = ""
    radiance_unit: str = ""

    @property
    def step(self) -> float:
        """One code step as a fraction of the range; 0 where signals are plain fractions."""
        return 0.0 if self.signal_max <= 1 else 1.0 / (self.signal_max - self.signal_min)


@dataclass(frozen=True, slots=True, eq=False)
class Spectra:
    """The spectra of a session, a row a reading.

    Attributes:
        wavelengths: Shape (m,), nm, rising in equal steps.
        radiance: Shape (n, m), W·sr⁻¹·m⁻²·nm⁻¹.
    """

    wavelengths: Array
    radiance: Array


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Session:
    """Readings as the file holds them, checked.

    Attributes:
        header: What the file says of itself.
        sha256: Of the file's bytes.
        encoding: What the signals mean.
        labels: A label a row; empty where the file has none.
        signal: Fractions of full signal, shape (n, 3); under PQ full signal is the code of the declared peak.
        xyz: Readings, shape (n, 3), cd/m².
        in_range: Shape (n,); False for signals outside the encoding's range: read, not fitted.
        warnings: Guesses, unknown columns and keys, and how spectra became X, Y, Z.
        spectra: None where the file has none.
    """

    header: Header
    sha256: str
    encoding: Encoding
    labels: tuple[str, ...]
    signal: Array
    xyz: Array
    in_range: Mask
    warnings: tuple[Problem, ...] = ()
    spectra: Spectra | None = None

    @property
    def file(self) -> str:
        """Path relative to the facility folder."""
        return self.header.file

    @property
    def step(self) -> float:
        """One code step as a fraction of full signal; 0 where signals are plain fractions."""
        return self.header.step / peak_code(self.encoding)


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Patches:
    """A session's readings, repeats averaged in XYZ.

    Attributes:
        labels: All labels of a patch, a tuple a patch.
        signal: Shape (n, 3).
        xyz: Mean readings, shape (n, 3), cd/m².
        count: Readings behind each, shape (n,).
        scatter: Standard deviation of the repeats, shape (n, 3); NaN for one reading.
        step: One code step as a fraction of full signal.
    """

    labels: tuple[tuple[str, ...], ...]
    signal: Array
    xyz: Array
    count: Array
    scatter: Array
    step: float

    def find(self, red: float, green: float, blue: float) -> int | None:
        """Return the place of the patch with this signal, or None."""
        distance = np.abs(self.signal - (red, green, blue)).max(axis=1)
        place = int(distance.argmin()) if len(distance) else 0
        return place if len(distance) and distance[place] <= max(self.step / 2, PAIRING_STEP) else None

    def greys(self) -> Array:
        """Return the places of the greys above black, darkest first."""
        spread = self.signal.max(axis=1) - self.signal.min(axis=1)
        grey = np.flatnonzero((spread <= max(self.step / 2, PAIRING_STEP)) & (self.signal.max(axis=1) > 0))
        return grey[np.argsort(self.signal[grey, 0], kind="stable")]  # type: ignore[return-value]

    def ramp(self, channel: int) -> Array:
        """Return the places of a channel's ramp, the other channels at zero, black left out."""
        others = np.delete(self.signal, channel, axis=1).max(axis=1)
        ramp = np.flatnonzero((others == 0) & (self.signal[:, channel] > 0))
        return ramp[np.argsort(self.signal[ramp, channel], kind="stable")]  # type: ignore[return-value]


_AVERAGED: WeakKeyDictionary[Session, dict[bool, Patches]] = WeakKeyDictionary()


def average_repeats(session: Session, *, in_range: bool = True) -> Patches:
    """Return a session's patches: rows with equal signal averaged in XYZ, their scatter kept.

    A session is averaged once, however often it is asked for.

    Args:
        session: Readings.
        in_range: Leave out signals outside the encoding's range.
    """
    known = _AVERAGED.setdefault(session, {})
    if in_range not in known:
        known[in_range] = _average(session, np.flatnonzero(session.in_range) if in_range else None)
    return known[in_range]


def _average(session: Session, keep: Places | None) -> Patches:
    """Return the patches of some rows; of all where none are named."""
    places: dict[tuple[float, ...], list[int]] = {}
    rows = range(len(session.xyz)) if keep is None else keep.tolist()
    signals = session.signal.tolist()
    for place in rows:
        places.setdefault(tuple(signals[place]), []).append(place)
    groups = list(places.values())
    xyz = session.xyz[[group[0] for group in groups]].reshape(-1, 3)
    scatter = np.full(xyz.shape, np.nan)
    for row, group in enumerate(groups):
        if len(group) > 1:
            xyz[row] = session.xyz[group].mean(axis=0)
            scatter[row] = session.xyz[group].std(axis=0, ddof=1)
    return Patches(
        labels=tuple(
            tuple(dict.fromkeys(session.labels[place] for place in group)) if session.labels else ()
            for group in groups
        ),
        signal=read_only(np.array(list(places)).reshape(-1, 3)),
        xyz=read_only(xyz),
        count=read_only([len(group) for group in groups]),
        scatter=read_only(scatter),
        step=session.step,
    )


def missing_from(patches: Patches, session: Session | None = None) -> list[str]:
    """Return what a session lacks to be complete (design 3.2); empty where it is complete.

    Args:
        patches: The session's, repeats averaged.
        session: Under PQ, where full signal is not the highest code, to name the code that lacks.
    """
    full = {"white": (1, 1, 1), "full red": (1, 0, 0), "full green": (0, 1, 0), "full blue": (0, 0, 1)}
    missing = [name + _code_of(signal, session) for name, signal in full.items() if patches.find(*signal) is None]
    ramps = [len(patches.ramp(channel)) for channel in range(3)]
    greys = len(patches.greys())
    if min(ramps) < 5 and greys < 5:
        missing.append(f"five steps a channel or five greys (it has {min(ramps)} and {greys})")
    return missing


def _code_of(signal: tuple[int, int, int], session: Session | None) -> str:
    """Return the codes of a full colour at the declared peak, in words; empty but under PQ."""
    if session is None or session.encoding.eotf != "PQ":
        return ""
    header, encoding = session.header, session.encoding
    light = encoding.luminance * np.array(signal, dtype=np.float64)
    if encoding.tristimulus or (header.encoding is not None and header.encoding.tristimulus):
        light = normalised_matrix(encoding) @ light
    codes = header.signal_min + light_to_pq(light) * (header.signal_max - header.signal_min)
    shown = " ".join(f"{code:.0f}" if header.step else f"{code:.4f}" for code in codes)
    return f" (code {shown} in PQ at the declared peak of {encoding.luminance:g} cd/m²)"


def pair(first: Session, second: Session) -> list[tuple[int, int, str]]:
    """Return which patches of two sessions show the same, as places in their averaged patches.

    By label where both have labels, else by signal, equal within half a step of the coarser range and
    never less than 2e-4. Under two encodings only labels pair.

    Returns:
        Place in ``average_repeats(first)``, place in ``average_repeats(second)``, name of the patch.
    """
    one, two = average_repeats(first), average_repeats(second)
    if first.labels and second.labels:
        place_of = {label: place for place, labels in enumerate(two.labels) for label in labels}
        pairs: dict[tuple[int, int], str] = {}
        for place, labels in enumerate(one.labels):
            for label in labels:
                if label in place_of:
                    pairs.setdefault((place, place_of[label]), label)
        return [(here, there, label) for (here, there), label in pairs.items()]
    if first.encoding != second.encoding or not len(two.signal):
        return []
    tolerance = max(one.step / 2, two.step / 2, PAIRING_STEP)
    found = []
    for place, signal in enumerate(one.signal):
        distance = np.abs(two.signal - signal).max(axis=1)
        nearest = int(distance.argmin())
        if distance[nearest] <= tolerance:
            label = (one.labels[place] + two.labels[nearest] + ("",))[0]
            found.append((place, nearest, label or "R {:.4g} G {:.4g} B {:.4g}".format(*100 * signal)))
    return found
