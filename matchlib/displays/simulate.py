"""Displays of known truth: what they show, and session files of them with seeded noise."""

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from matchlib.arrays import Array
from matchlib.encoding import Pair, primaries_matrix, xy_to_unit_xyz
from matchlib.patches import PatchList, patch_label


class Shows(Protocol):
    """Whatever shows signals, or is seen to show them by an instrument that errs."""

    def show(self, signal: Array) -> Array:
        """Return XYZ in cd/m² of signals between 0 and 1, shape (…, 3)."""


@dataclass(frozen=True, slots=True)
class SimulatedDisplay:
    """An additive display that is exactly what it says.

    Attributes:
        luminance: White above black, cd/m²; ``black``: of zero signal, cd/m².
        white_xy: Of white above black; likewise the primaries.
        gamma: Exponents of red, green, blue.
        black_xy: Of black.
    """

    luminance: float
    white_xy: Pair
    red_xy: Pair
    green_xy: Pair
    blue_xy: Pair
    gamma: tuple[float, float, float] = (2.6, 2.6, 2.6)
    black: float = 0.0
    black_xy: Pair = (0.3127, 0.3290)

    @property
    def matrix(self) -> Array:
        """Columns are the XYZ of full red, green, blue above black, shape (3, 3), cd/m²."""
        primaries = (self.red_xy, self.green_xy, self.blue_xy)
        return primaries_matrix(primaries, self.luminance * xy_to_unit_xyz(self.white_xy))

    @property
    def black_xyz(self) -> Array:
        """XYZ of black, shape (3,), cd/m²."""
        return self.black * xy_to_unit_xyz(self.black_xy)

    def show(self, signal: Array) -> Array:
        """Return XYZ in cd/m² of signals between 0 and 1, shape (…, 3)."""
        return np.asarray(self.black_xyz + signal ** np.array(self.gamma) @ self.matrix.T)


@dataclass(frozen=True, slots=True)
class Misread:
    """A display as an instrument sees it whose error on this kind of panel is a matrix.

    Attributes:
        matrix: From true XYZ to XYZ seen, three rows.
    """

    display: Shows
    matrix: tuple[tuple[float, float, float], ...]

    def show(self, signal: Array) -> Array:
        """Return XYZ in cd/m², as seen, of signals between 0 and 1, shape (…, 3)."""
        return np.asarray(self.display.show(signal) @ np.array(self.matrix).T)


@dataclass(frozen=True, slots=True)
class NonAdditiveDisplay:
    """A display whose light does not add; with the defaults it is the additive one inside it.

    Attributes:
        parts: Its red, green and blue, and its black.
        primaries_share: Luminance of full red, green and blue together over that of white; below 1 a white
            sub-pixel gives the rest, in the colour of the parts' white.
        white_softness: 0: the white sub-pixel follows the least of linear r, g, b; above 0 a smooth
            minimum, (mean of l^(−1/softness))^(−softness), which gives some white beside a dark channel.
        limit: Share of the parts' white luminance above which a limiter acts; light above it counts by
            ``beyond_limit``, all three channels alike.
        crosstalk: How much of a channel's light the two others take when both are full.
        saturation: Above 0: each channel's ramp flattens towards the top as tanh does.
    """

    parts: SimulatedDisplay
    primaries_share: float = 1.0
    white_softness: float = 0.0
    limit: float = np.inf
    beyond_limit: float = 0.25
    crosstalk: float = 0.0
    saturation: float = 0.0

    def show(self, signal: Array) -> Array:
        """Return XYZ in cd/m² of signals between 0 and 1, shape (…, 3)."""
        linear = signal ** np.array(self.parts.gamma)
        if self.saturation > 0:
            linear = np.tanh(self.saturation * linear) / np.tanh(self.saturation)
        others = (linear.sum(axis=-1, keepdims=True) - linear) / 2
        light = (linear * (1 - self.crosstalk * others)) @ self.parts.matrix.T
        white = (1 / self.primaries_share - 1) * self.parts.matrix.sum(axis=1)
        light = light + self._white_drive(linear)[..., None] * white
        return np.asarray(self.parts.black_xyz + light * self._limiter(light[..., 1])[..., None])

    def _white_drive(self, linear: Array) -> Array:
        if self.white_softness == 0:
            return np.asarray(linear.min(axis=-1))
        power = np.maximum(linear, 1e-9) ** (-1 / self.white_softness)
        return np.asarray(power.mean(axis=-1) ** -self.white_softness)

    def _limiter(self, luminance: Array) -> Array:
        limit = self.limit * self.parts.luminance
        over = np.maximum(luminance - limit, 0.0) if np.isfinite(limit) else 0 * luminance
        return 1 - np.divide((1 - self.beyond_limit) * over, luminance, out=np.zeros_like(over), where=over > 0)


@dataclass(frozen=True, slots=True)
class Noise:
    """How a simulated instrument scatters.

    Attributes:
        relative: Standard deviation of the factor common to X, Y, Z of one reading.
        channel: Of a further factor a channel; a third of ``relative`` by default.
        floor: Standard deviation added to each channel, cd/m².
    """

    relative: float = 0.001
    channel: float | None = None
    floor: float = 0.0

    def read(self, xyz: Array, random: np.random.Generator) -> Array:
        """Return readings of light, shape (n, 3)."""
        channel = self.relative / 3 if self.channel is None else self.channel
        common = 1 + self.relative * random.standard_normal((len(xyz), 1))
        own = 1 + channel * random.standard_normal(xyz.shape)
        return np.asarray(xyz * common * own + self.floor * random.standard_normal(xyz.shape))


def session_patches(steps: int = 16, repeats: int = 3) -> PatchList:
    """Return a list to measure: ramps and greys of ``steps``, secondaries, mixed colours, repeated ends.

    Args:
        steps: Of each ramp and of the greys, full included, black left out.
        repeats: How often black, white and the full primaries are read.
    """
    levels = np.round(np.arange(1, steps + 1) / steps, 4)
    signals = [(0.0, 0.0, 0.0)] * repeats + [(1.0, 1.0, 1.0)] * repeats
    for channel in range(3):
        unit = [float(place == channel) for place in range(3)]
        signals += [tuple(level * part for part in unit) for level in levels]
        signals += [tuple(unit)] * (repeats - 1)  # type: ignore[list-item]
    signals += [(float(level),) * 3 for level in levels[:-1]]
    signals += [(0.0, 1.0, 1.0), (1.0, 0.0, 1.0), (1.0, 1.0, 0.0)]
    signals += [
        (high if place == 0 else low, high if place == 1 else low, high if place == 2 else low)
        for high, low in ((0.75, 0.25), (0.5, 0.75), (0.9, 0.6))
        for place in range(3)
    ]
    array = np.array(signals)
    return PatchList(tuple(patch_label(tuple(row)) for row in array.tolist()), array)


@dataclass(frozen=True, slots=True)
class SimulatedSession:
    """A session of a simulated display, ready to be written.

    Attributes:
        display: What is read, as the instrument sees it.
        keys: Header keys and values, in order.
        noise: Of the instrument.
        seed: Of the noise.
    """

    display: Shows
    keys: dict[str, str]
    noise: Noise = field(default_factory=Noise)
    seed: int = 0

    def text(self, patches: PatchList | None = None) -> str:
        """Return the session file; ``signal_max`` among the keys decides the codes."""
        patches = patches or session_patches()
        top = int(self.keys["signal_max"])
        codes = np.round(patches.signal * top).astype(int)
        xyz = self.noise.read(self.display.show(codes / top), np.random.default_rng(self.seed))
        lines = [f"# {key}: {value}" for key, value in self.keys.items()]
        lines.append("patch,r,g,b,X,Y,Z")
        for label, code, reading in zip(patches.labels, codes, xyz, strict=True):
            cells = [label, *map(str, code.tolist()), *(f"{value:.6g}" for value in reading.tolist())]
            lines.append(",".join(cells))
        return "\n".join(lines) + "\n"
