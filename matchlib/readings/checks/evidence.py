"""A session prepared for its checks: patches, ramps, repeats in reading order, and their noise."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from matchlib.arrays import Array
from matchlib.readings.session import Patches, Session, average_repeats

CHANNELS = ("red", "green", "blue")
USUAL_NOISE = 0.003  # relative sd of a reading where repeats do not tell: a spectroradiometer on a measured LCD
# gave 0.27 % (tests/reference/wide_gamut_lcd)
LEAST_NOISE = 0.0005  # no display and instrument together repeat better; common practice, no source
_ENOUGH_REPEATS = 6  # degrees of freedom below which the repeats' own noise is taken only if it is the larger
_LIT = 20  # times the floor: above it the relative noise rules
_LIT_SHARE = 0.005  # of the peak, the same
_MONOTONE = 0.5  # share of the scatter that a rising or falling line leaves, below which there is a trend
_COHERENT = 0.6  # mean sign of the pairs' changes: above it they drift, and do not tell noise
_MEDIAN_SQUARE = 0.4549  # median of the square of a standard normal variable
_FEW = 4  # readings; fewer do not tell trend from scatter


@dataclass(frozen=True, eq=False)
class Track:
    """The readings of one signal in reading order.

    Attributes:
        name: Of the patch.
        rows: Place of each reading in the session, shape (n,), n ≥ 2.
        xyz: Shape (n, 3), cd/m².
    """

    name: str
    signal: tuple[float, ...]
    rows: tuple[int, ...]
    xyz: Array

    @property
    def log(self) -> Array:
        """Natural logarithm of X + Y + Z, shape (n,): differences are relative changes.

        The sum and not Y: readings scatter by a share of all their light, of which Y is little for blue.
        """
        return np.asarray(np.log(np.maximum(self.xyz.sum(axis=1), 1e-12)))

    @property
    def few(self) -> bool:
        """Whether the readings are too few to tell a trend from scatter."""
        return len(self.rows) < _FEW

    @property
    def scatter(self) -> float:
        """Relative standard deviation from one reading to the next."""
        return float(np.sqrt((np.diff(self.log) ** 2).mean() / 2))

    @property
    def variances(self) -> Array:
        """Guesses of one reading's relative variance, blind to a steady trend where there are enough to tell."""
        return np.asarray(np.diff(self.log) ** 2 / 2 if self.few else np.diff(self.log, n=2) ** 2 / 6)

    @cached_property
    def restless(self) -> float:
        """Relative standard deviation about the best line that only rises or only falls."""
        from scipy.optimize import isotonic_regression

        left = [np.abs(self.log - isotonic_regression(self.log, increasing=up).x).mean() for up in (True, False)]
        return float(np.sqrt(np.pi / 2) * min(left))  # mean absolute to standard deviation, normal scatter

    @property
    def smooth(self) -> bool:
        """Whether the readings follow a trend rather than scatter; few readings get the benefit of the doubt."""
        return self.few or self.restless < _MONOTONE * float(self.log.std())

    @property
    def thirds(self) -> tuple[float, float, float]:
        """Median log luminance of the first, middle and last third."""
        size = max(1, len(self.rows) // 3)
        middle = self.log[size:-size] if len(self.rows) > 2 * size else self.log
        return float(np.median(self.log[:size])), float(np.median(middle)), float(np.median(self.log[-size:]))

    @property
    def change(self) -> float:
        """Relative change of the luminance from the first third to the last."""
        first, _, last = self.thirds
        return float(np.expm1(last - first))


class Evidence:
    """A session as its checks see it.

    Args:
        session: The readings.
        floor: Of the instrument, cd/m²; 0 where it is not known.
    """

    def __init__(self, session: Session, floor: float = 0.0) -> None:
        self.session = session
        self.floor = floor

    @cached_property
    def patches(self) -> Patches:
        """Repeats averaged, signals outside the range left out."""
        return average_repeats(self.session)

    @cached_property
    def peak(self) -> float:
        """Brightest patch, cd/m²."""
        return float(self.patches.xyz[:, 1].max()) if len(self.patches.xyz) else 0.0

    @cached_property
    def black(self) -> Array | None:
        """XYZ of black, None where it was not read."""
        place = self.patches.find(0, 0, 0)
        return None if place is None else self.patches.xyz[place]

    @cached_property
    def white(self) -> Array | None:
        """XYZ of white, black included; None where it was not read."""
        place = self.patches.find(1, 1, 1)
        return None if place is None else self.patches.xyz[place]

    @cached_property
    def primaries(self) -> Array | None:
        """XYZ of full red, green, blue above black, rows; None unless all four were read."""
        places = [self.patches.find(*row) for row in np.eye(3).tolist()]
        if self.black is None or None in places:
            return None
        return np.asarray(self.patches.xyz[places] - self.black)  # type: ignore[index]

    @cached_property
    def tracks(self) -> tuple[Track, ...]:
        """Every signal that was read more than once."""
        groups: dict[tuple[float, ...], list[int]] = {}
        for row in np.flatnonzero(self.session.in_range).tolist():
            groups.setdefault(tuple(self.session.signal[row].tolist()), []).append(row)
        return tuple(
            Track(self._name(rows[0]), signal, tuple(rows), self.session.xyz[rows])
            for signal, rows in groups.items()
            if len(rows) > 1
        )

    @cached_property
    def lit_tracks(self) -> tuple[Track, ...]:
        """The repeats bright enough that their noise is a share of their light."""
        least = max(_LIT * self.floor, _LIT_SHARE * self.peak)
        return tuple(track for track in self.tracks if track.xyz[:, 1].min() > least)

    @cached_property
    def relative_noise(self) -> float:
        """Relative standard deviation of a reading: robust, over all repeats; or the usual one."""
        tracks = [track for track in self.lit_tracks if not track.few]
        pairs = [track for track in self.lit_tracks if track.few]
        if pairs and abs(np.mean([np.sign(track.change) for track in pairs])) < _COHERENT:
            tracks += pairs
        if not tracks:
            return USUAL_NOISE
        variance = float(np.median(np.concatenate([track.variances for track in tracks]))) / _MEDIAN_SQUARE
        found = max(LEAST_NOISE, float(np.sqrt(variance)))
        enough = sum(len(track.rows) - 1 for track in tracks) >= _ENOUGH_REPEATS
        return found if enough else max(found, USUAL_NOISE)

    def noise(self, luminance: Array) -> Array:
        """Return the standard deviation to expect of readings, cd/m²; at the floor a reading is noise."""
        return np.asarray(np.hypot(self.relative_noise * np.abs(luminance), self.floor / 2))

    def ramps(self) -> Iterator[tuple[str, Array, Array]]:
        """Yield name, signals and XYZ of the greys and of each channel's ramp, darkest first, black left out."""
        greys = self.patches.greys()
        yield "grey", self.patches.signal[greys, 0], self.patches.xyz[greys]
        for channel, name in enumerate(CHANNELS):
            places = self.patches.ramp(channel)
            yield name, self.patches.signal[places, channel], self.patches.xyz[places]

    def _name(self, row: int) -> str:
        if self.session.labels and self.session.labels[row]:
            return self.session.labels[row]
        return signal_name(self.session.signal[row])


def signal_name(signal: Array) -> str:
    """Return a signal in per cent of full."""
    return "R {:.4g} G {:.4g} B {:.4g}".format(*100 * np.asarray(signal))


def uv(xyz: Array) -> Array:
    """Return CIE 1976 u′, v′ of XYZ, shape (…, 2) (CIE 015:2018)."""
    x, y, z = np.moveaxis(np.asarray(xyz), -1, 0)
    return np.asarray(np.stack([4 * x, 9 * y], axis=-1) / (x + 15 * y + 3 * z)[..., None])


def chromaticities(xyz: Array) -> Array:
    """Return CIE 1931 x, y, z of XYZ, shape (…, 3) (CIE 015:2018)."""
    return np.asarray(xyz / xyz.sum(axis=-1, keepdims=True))
