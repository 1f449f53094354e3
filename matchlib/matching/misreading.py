"""A display as its instrument would have read it with other errors.

The model of an instrument: its luminance scale is off by one factor for everything it reads; its
chromaticity by one step in x, y for all colours of one display, of which the share ``common_xy`` is the
same on every display that it reads. What a correction left and the drift of a session are one factor and
one step more, of their own. Repeats scatter on top.
"""

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.errors_of_readings import Display, Scatter

# Standard normal variables of one display, in this order, and how many of each.
_INSTRUMENT = {"scale": 1, "xy": 2, "residual": 1, "residual_xy": 2}
_NODES = 8  # places on a tone curve that scatter each for itself: a ramp has some 8 to 16 steps
_NOISE = {
    "white_factor": 1,
    "white": 3,
    "primary_factors": 3,
    "primaries": 9,
    "black": 3,
    "gamma": 1,
    "tone": 3 * _NODES,
}
_PARTS = _INSTRUMENT | _NOISE
_OWN = 1 / 3  # of a reading's scatter, what X, Y, Z have each for itself beside a common factor: no source
COMMON = 3  # variables that one instrument's readings share: scale and x, y
EACH = sum(_PARTS.values())
NOISE = slice(sum(_INSTRUMENT.values()), EACH)  # of a display's variables, those of its repeats


class Misread:
    """One display under drawn errors.

    Args:
        display: What was read.
        common: Draws that all displays of its instrument share, shape (s, 3).
        own: Its own draws, shape (s, EACH).
        alone: Nothing of its errors is shared, so its own draws stand for all.
    """

    def __init__(self, display: Display, common: Array, own: Array, *, alone: bool = False) -> None:
        self.display, self._sources, self._scatter = display, display.sources, display.scatter
        places = np.cumsum([0, *_PARTS.values()])
        self._own = {name: own[:, places[i] : places[i + 1]] for i, name in enumerate(_PARTS)}
        self._scale = self._own["scale"] if alone else common[:, :1]
        share = 0.0 if self._sources is None or alone else self._sources.common_xy
        self._step = np.sqrt(share) * common[:, 1:] + np.sqrt(1 - share) * self._own["xy"]

    def read(self) -> Array:
        """Return XYZ of the standard list through the response fitted to the readings, shape (s, n, 3)."""
        light = self.display.linear
        if self._scatter is not None:
            light = light * (1 + self._tone(self.display.signal, light, self._scatter))
        found = self.mixed(np.broadcast_to(light, (len(self._scale), *light.shape[-2:])))
        response = self.display.response
        if response.additive:
            return found
        # All light errs by the share that the light of its primaries errs by
        plain = response.black_xyz + self.display.linear @ response.matrix.T
        return _in_proportion(found, plain, response.forward(self.display.signal))

    def mixed(self, light: Array, backlight: float = 1.0) -> Array:
        """Return XYZ of linear light, shape (s, n, 3), with black and primaries as they would be fitted."""
        response, scatter = self.display.response, self._scatter
        if scatter is None:
            dark, matrix = np.broadcast_to(response.black_xyz, (len(self._scale), 3)), self._matrix()
        else:
            dark = response.black_xyz + scatter.black * self._own["black"]
            noise = _factors(self._own["primary_factors"], self._own["primaries"]) * scatter.matrix
            matrix = self._matrix() * (1 + noise)
        return np.asarray(backlight * self.moved(dark[:, None]) + light @ np.swapaxes(matrix, 1, 2))

    def _matrix(self) -> Array:
        """Return the matrix fitted to patches that the instrument moved, shape (s, 3, 3).

        A step in x, y that is alike for all colours is not additive: what is fitted errs otherwise in white than
        what is read there.
        """
        response, shown, shares = self.display.response, self.display.shown, self.display.shares
        if self._sources is None or shown is None or shares is None:
            return np.broadcast_to(response.matrix, (len(self._scale), 3, 3))
        black = response.black_xyz
        moves = self.moved(np.vstack([shown, black])) - np.vstack([shown, black])
        return np.asarray(response.matrix + np.swapaxes(shares @ (moves[:, :-1] - moves[:, -1:]), 1, 2))

    def _tone(self, signal: Array, linear: Array, scatter: Scatter) -> Array:
        """Return by what share each channel's light is off, shape (s, n, 3): each step of a ramp for itself."""
        draws = np.moveaxis(self._own["tone"].reshape(-1, 3, _NODES), 1, 0)
        floor = np.divide(scatter.tone_floor, linear, out=np.zeros_like(linear), where=linear > 0)
        size = np.where((linear > 0) & (signal < 1), np.hypot(scatter.tone, np.minimum(floor, 1.0)), 0.0)
        return np.stack([draws[c] @ _between(signal[:, c]).T * size[:, c] for c in range(3)], axis=-1)

    def white(self) -> Array:
        """Return XYZ of white as read, shape (s, 3)."""
        noise = 0.0 if self._scatter is None else self._scatter.white
        factors = self._own["white_factor"] + _OWN * self._own["white"]
        return self.moved((self.display.response.white_xyz * (1 + noise * factors))[:, None])[:, 0]

    def black(self) -> Array:
        """Return XYZ of black as read, shape (s, 3)."""
        noise = 0.0 if self._scatter is None else self._scatter.black
        return self.moved((self.display.response.black_xyz + noise * self._own["black"])[:, None])[:, 0]

    def primaries(self) -> Array:
        """Return XYZ of full red, green, blue less black, all as read, shape (s, 3, 3), a row each."""
        response = self.display.response
        noise = np.zeros(3) if self._scatter is None else self._scatter.primaries
        factors = np.swapaxes(_factors(self._own["primary_factors"], self._own["primaries"]), 1, 2)
        full = response.primaries_xyz * (1 + noise[:, None] * factors) + response.black_xyz
        return np.asarray(self.moved(full) - self.black()[:, None])

    def gamma(self) -> Array:
        """Return the error of gamma, shape (s,): instruments scale all greys alike, so only noise is in it."""
        return np.asarray(self._own["gamma"][:, 0] * (0.0 if self._scatter is None else self._scatter.gamma))

    def moved(self, xyz: Array) -> Array:
        """Return light as the instrument reads it, shape (s, n, 3), with x, y moved and Y scaled."""
        found, drift = self._sources, self.display.drift
        if found is None:
            return xyz
        own_xy = np.hypot(found.residual_xy, drift.xy) * self._own["residual_xy"]
        own = np.hypot(found.residual_luminance, drift.luminance) * self._own["residual"]
        move = found.xy * self._step + own_xy
        scale = 1 + found.luminance * self._scale + own
        total = xyz.sum(axis=-1)
        moved_y = xyz[..., 1] + total * move[:, 1:]
        keep = np.divide(xyz[..., 1], moved_y, out=np.ones_like(moved_y), where=moved_y > 0)  # Y stays
        steps = np.stack([move[:, 0], move[:, 1], -move.sum(axis=1)], axis=-1)
        return np.asarray((xyz + total[..., None] * steps[:, None]) * (keep * scale)[..., None])


def _in_proportion(erring: Array, plain: Array, light: Array) -> Array:
    """Return ``light``, shape (n, 3), times ``erring``, shape (s, n, 3), over ``plain``; as it is where that is 0."""
    return np.asarray(light * np.divide(erring, plain, out=np.ones_like(erring), where=np.abs(plain) > 0))


def _factors(common: Array, own: Array) -> Array:
    """Return what X, Y, Z (rows) of full red, green, blue (columns) are off by, in units of their scatter."""
    return np.asarray(common[:, None] + _OWN * own.reshape(-1, 3, 3))


def _between(signal: Array) -> Array:
    """Return how far signals, shape (n,), go with each node of a tone curve, shape (n, nodes), length 1 a row."""
    places = np.clip(signal, 0.0, 1.0) * (_NODES - 1)
    near = np.maximum(1 - np.abs(places[:, None] - np.arange(_NODES)), 0.0)
    return np.asarray(near / np.linalg.norm(near, axis=1, keepdims=True))
