"""How sure what is expected of a target is: errors of the readings put on what the target would show.

What is typed in is exact. What the display then shows is told by the panel's own readings, and what it should
show by the projector's: their errors, common ones cancelling, are in the difference that is expected.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.errors_of_readings import Display
from matchlib.matching.figures_uncertainty import expanded_figures
from matchlib.matching.misreading import COMMON, EACH, NOISE, Misread
from matchlib.matching.result import Expanded, Gain, Target
from matchlib.matching.uncertainty import drawn_errors, misread
from matchlib.perception.difference import ciede2000_vector, xyz_to_lab
from matchlib.perception.viewing import Viewing, Wanted, wanted
from matchlib.readings.instrument_noise import LEVEL

_OF_TARGETS = ("luminance", "white_xy", "gamma")


@dataclass(frozen=True, eq=False)
class Expecting:
    """A monitor's readings, its panel's and its reference's, under the same draws.

    Attributes:
        reference: What is followed; ``monitor``: what is judged.
        panel: The panel as its native session has it; None: as the monitor's, or as declared limits.
        mode: Match mode.
        now: Draws of the mean difference now, shape (s,), as :func:`uncertainty_of` has them.
    """

    reference: Display
    monitor: Display
    panel: Display | None
    mode: Viewing
    now: Array

    def gain(self, mean: float, expected: float, after_xyz: Array, black_xyz: Array) -> tuple[Gain, float]:
        """Return what is gained with its uncertainty, and the standard uncertainty of the mean expected.

        Errors common to now and after cancel: the same instrument read the same monitor.

        Args:
            mean: Difference now.
            expected: Difference with the target.
            after_xyz: What the target shows, shape (n, 3), cd/m².
            black_xyz: Its black, shape (3,), cd/m².
        """
        after = self._means(self._shown(after_xyz, black_xyz))
        gained = self.now - after
        return Gain(mean - expected, 2 * float(gained.std(ddof=1))), float(after.std(ddof=1))

    def unlimited(self, shown_xyz: Array, black_xyz: Array) -> float:
        """Return the standard uncertainty of the mean of a display without limits, read as the monitor is."""
        return float(self._means(self._fitted(self._monitor, shown_xyz, black_xyz)).std(ddof=1))

    def expanded(self) -> Expanded | None:
        """Return the expanded uncertainties of the target's figures: those of the projector's reading."""
        if self.reference.sources is None:
            return None
        found = expanded_figures(self.reference)
        return Expanded(LEVEL, **{name: found[name] for name in _OF_TARGETS})

    def of(self, target: Target, u_mean: float) -> Target:
        """Return a target with its uncertainties."""
        return replace(target, expected=replace(target.expected, u_mean=u_mean), uncertainty=self.expanded())

    @cached_property
    def _drawn(self) -> Array:
        return drawn_errors()

    @cached_property
    def _both(self) -> tuple[Misread, Misread]:
        return misread(self.reference, self.monitor, self._drawn)

    @property
    def _monitor(self) -> Misread:
        return self._both[1]

    @cached_property
    def _aim(self) -> Wanted:
        ours = self._both[0]
        return wanted(self.mode, ours.read(), ours.white()[:, None, :])

    @cached_property
    def _aim_lab(self) -> Array:
        return xyz_to_lab(self._aim.xyz, self._aim.white)

    def _means(self, xyz: Array) -> Array:
        """Return the mean differences of what is shown, shape (s, n, 3) to (s,)."""
        vectors = ciede2000_vector(self._aim_lab, xyz_to_lab(xyz, self._aim.white))
        return np.asarray(np.sqrt((vectors**2).sum(axis=-1)).mean(axis=1))

    def _shown(self, after_xyz: Array, black_xyz: Array) -> Array:
        """Return what the target shows under the errors of the panel's readings, shape (s, n, 3)."""
        if self.panel is None:
            return self._fitted(self._monitor, after_xyz, black_xyz)
        own = self._drawn[:, COMMON + EACH : COMMON + 2 * EACH].copy()
        own[:, NOISE] = self._drawn[:, COMMON + 2 * EACH :][:, NOISE]  # another session, another scatter
        one = misread(self.reference, self.panel, np.hstack([self._drawn[:, : COMMON + EACH], own]))[1]
        return self._fitted(one, after_xyz, black_xyz)

    def _fitted(self, read: Misread, shown_xyz: Array, black_xyz: Array) -> Array:
        """Return what is shown, as drives of a response, under the errors that its fit takes up, shape (s, n, 3)."""
        response = read.display.response
        light = (shown_xyz - black_xyz) @ np.linalg.inv(response.matrix).T
        return read.mixed(light[None], float(black_xyz[1]) / response.black if response.black > 0 else 1.0)
