"""What can be wrong with the readings of one display: the instrument's errors and the scatter of repeats."""

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.response import FEWEST_GREYS, GAMMA_FLOOR, Response, fit_shares
from matchlib.facility.rooms import Instrument
from matchlib.readings.instrument import Correction, Meters
from matchlib.readings.instrument_noise import NoiseModel, fit_noise
from matchlib.readings.session import Patches, Session, average_repeats
from matchlib.readings.session_drift import Drift, drift_of, levelled

NO_DRIFT = Drift()


@dataclass(frozen=True, slots=True)
class Sources:
    """Standard uncertainties of the instrument behind a display's readings.

    Attributes:
        instrument: Whose scale it is: the reference's where a correction was used.
        luminance: Of its luminance scale, relative; one error for everything that it reads.
        xy: Of x and of y.
        common_xy: Share of the variance of ``xy`` that is one error for all displays.
        residual_luminance: What a correction left, relative; ``residual_xy``: in x and in y.
    """

    instrument: str
    luminance: float
    xy: float
    common_xy: float
    residual_luminance: float = 0.0
    residual_xy: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """Standard uncertainties by repeat noise.

    Attributes:
        white: Of white, relative.
        primaries: Of full red, green, blue, relative, shape (3,).
        black: Of each of X, Y, Z of black, cd/m².
        gamma: Of the fitted gamma.
        matrix: Of the fitted primaries, relative, shape (3,): the whole ramp is behind them.
        tone: Of the light of one step of each channel's ramp, relative, shape (3,).
        tone_floor: The same of light near none, as a share of the full channel, shape (3,).
        freedom: Degrees of freedom of the repeats behind them; infinite where none were read.
    """

    white: float
    primaries: Array
    black: float
    gamma: float
    matrix: Array = field(default_factory=lambda: np.zeros(3))
    tone: Array = field(default_factory=lambda: np.zeros(3))
    tone_floor: Array = field(default_factory=lambda: np.zeros(3))
    freedom: float = np.inf


@dataclass(frozen=True, eq=False)
class Display:
    """A display's response, the signals it is judged with, and what can be wrong with it.

    Attributes:
        response: As fitted.
        signal: Of the standard list, shape (n, 3).
        sources: Of its instrument; None where nothing was read, as with a nominal reference.
        scatter: Of its repeats; None likewise.
        drift: Within its session.
        shown: What the response says of the m patches that it was fitted to, shape (m, 3), cd/m².
        shares: Of these patches in the fitted matrix, shape (3, m).
    """

    response: Response
    signal: Array
    sources: Sources | None
    scatter: Scatter | None
    drift: Drift = NO_DRIFT
    shown: Array | None = None
    shares: Array | None = None

    @cached_property
    def linear(self) -> Array:
        """Linear light of the signals, shape (n, 3)."""
        return self.response.linear(self.signal)


def sources_of(instrument: Instrument, meters: Meters, correction: Correction | None = None) -> Sources:
    """Return the standard uncertainties of an instrument, corrected or not (k = 2 halved).

    A corrected instrument reads as its reference does, with the reference's errors and, on top, the residual
    that the correction left on its own pairs. Δu′v′ near white is some 0.6 to 0.9 of the distance in x, y;
    the residual in x and in y is taken as large as that in u′v′.
    """
    if correction is None:
        return Sources(instrument.id, instrument.luminance / 2, instrument.xy / 2, instrument.common_xy)
    reference = meters.instruments[correction.reference]
    return Sources(
        reference.id,
        reference.luminance / 2,
        reference.xy / 2,
        reference.common_xy,
        correction.after.luminance,
        correction.after.uv,
    )


def noise_of(session: Session, instrument: Instrument, drift: Drift | None = None) -> NoiseModel:
    """Return the noise model of a session beside its drift, or without repeats half the instrument's floor."""
    drift = drift or drift_of(session)
    found = fit_noise(average_repeats(levelled(session, drift)))
    if found is None:
        return NoiseModel(instrument.floor / 2, 0.0, 0)
    return found if drift.change == 0 else replace(found, freedom=max(found.freedom - 1, 1))


def display_of(
    session: Session, response: Response, signal: Array, sources: Sources, instrument: Instrument
) -> Display:
    """Return a display with all that can be wrong with its session.

    Args:
        session: As it counts, corrected or not.
        response: Fitted to it.
        signal: Of the standard list, shape (n, 3).
        sources: Of the instrument as it counts.
        instrument: That read it.
    """
    drift, patches = drift_of(session), average_repeats(session)
    scatter = scatter_of(patches, response, noise_of(session, instrument, drift))
    shown, shares = response.forward(patches.signal), fit_shares(patches, response)
    return Display(response, signal, sources, scatter, drift, shown, shares)


def scatter_of(patches: Patches, response: Response, noise: NoiseModel, times: int = 1) -> Scatter:
    """Return what repeat noise leaves of uncertainty in the figures of a session.

    Args:
        patches: Repeats averaged.
        response: Fitted to them.
        noise: Of one reading.
        times: As if every patch had been read so many times as often.
    """
    deviation = noise.deviation(patches.xyz[:, 1]) / np.sqrt(patches.count * times)

    def relative(red: int, green: int, blue: int) -> float:
        place = patches.find(red, green, blue)
        return 0.0 if place is None else float(deviation[place] / abs(patches.xyz[place, 1]))

    black_place = patches.find(0, 0, 0)
    black = noise.floor / np.sqrt(times) if black_place is None else float(deviation[black_place])
    counts = np.array([_readings(patches, channel) for channel in range(3)]) * times
    return Scatter(
        white=relative(1, 1, 1),
        primaries=np.array([relative(1, 0, 0), relative(0, 1, 0), relative(0, 0, 1)]),
        black=float(black),
        gamma=_gamma_deviation(patches, response, deviation, float(black)),
        matrix=np.array([noise.relative / np.sqrt(_behind(patches, c) * times) for c in range(3)]),
        tone=noise.relative / np.sqrt(counts),
        tone_floor=noise.floor / np.linalg.norm(response.primaries_xyz, axis=1) / np.sqrt(counts),
        freedom=noise.freedom * times if noise.freedom else np.inf,
    )


def _behind(patches: Patches, channel: int) -> float:
    """Return how many readings are behind a column of the matrix; the darkest hardly count."""
    ramp = patches.ramp(channel)
    bright = ramp[patches.xyz[ramp].sum(axis=1) >= GAMMA_FLOOR * patches.xyz[ramp].sum(axis=1).max()]
    return float(patches.count[bright].sum())


def _readings(patches: Patches, channel: int) -> float:
    """Return how often a step of a channel's tone curve was read: of its ramp, or of the greys without one."""
    ramp = patches.ramp(channel)
    places = ramp if len(ramp) >= FEWEST_GREYS else patches.greys()
    return float(np.median(patches.count[places])) if len(places) else 1.0


def _gamma_deviation(patches: Patches, response: Response, deviation: Array, black: float) -> float:
    """Return the standard uncertainty of the log–log slope, by the linear law (JCGM 100:2008, 5.1.2)."""
    greys = patches.greys()
    channel, places = 0, greys
    if len(greys) < FEWEST_GREYS:
        channel, places = 1, patches.ramp(1)
    light = patches.xyz[places, 1] - response.black
    if len(light) < 2 or not np.isfinite(response.gamma):
        return 0.0
    used = light >= GAMMA_FLOOR * light[-1]
    steps = np.log(patches.signal[places, channel][used])
    weight = (steps - steps.mean()) / max(((steps - steps.mean()) ** 2).sum(), 1e-12)
    own = weight * deviation[places][used] / light[used]
    common = (weight / light[used]).sum() * black
    return float(np.sqrt((own**2).sum() + common**2))
