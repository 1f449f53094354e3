"""Whether greys, ramps and primaries behave as a display's do."""

from collections.abc import Iterator

import numpy as np

from matchlib.arrays import Array
from matchlib.encoding import signal_to_linear
from matchlib.readings.checks.evidence import Evidence, uv
from matchlib.readings.checks.finding import NOTE, WARN, Check, Context, Remark

BEYOND_NOISE = 4.0  # standard deviations: one false alarm in some 16,000 looks at normal scatter
FLAT = 0.3  # log–log slope at the top of a ramp; displays have 1.6 to 2.6 (common practice, no source)
TOP = 0.97  # of full signal: nearer steps differ too little for a slope
CRUSHED = 0.1  # of the light that PQ or a gamma of 3 gives; no display is meant darker. Common practice, no source
DARK_GAMMA = 3.0
FEWEST_STEPS = 5  # of a ramp, for its shape to be judged
FEWEST_FOR_SLOPE = 8
SHIFT = 0.015  # Δu′v′ of a primary along its ramp: five times the tolerance of white. A measured LCD shows up to
# .04 (tests/reference/wide_gamut_lcd). No source
SHIFT_SHARE = 0.05  # of full light: darker steps tell black's error, not the primary's colour
SUM = 0.03  # relative: half of the tolerance of peak luminance; a measured LCD adds to 0.05 %. No source


def _saturated(evidence: Evidence, context: Context) -> Iterator[Remark]:
    if evidence.black is None:
        return
    for name, signal, xyz in evidence.ramps():
        light = xyz[:, 1] - evidence.black[1]
        if len(signal) < FEWEST_STEPS or light[-1] <= 0 or signal[-1] < 1:
            continue
        below = np.flatnonzero((signal <= TOP) & (light > 0))
        if len(below):
            step = below[-1]
            slope = float(np.log(light[step] / light[-1]) / np.log(signal[step]))
            if slope < FLAT and slope > -BEYOND_NOISE:
                yield Remark(
                    WARN,
                    f"the {name} ramp is saturated: {100 * signal[step]:.4g} % signal gives "
                    f"{100 * light[step] / light[-1]:.1f} % of the light of full signal",
                    "look for a contrast or gain setting that clips, or a limit of the light; lower it and measure "
                    "again",
                )
        yield from _crushed(evidence, context, name, signal, light)


def _crushed(evidence: Evidence, _: Context, name: str, signal: Array, light: Array) -> Iterator[Remark]:
    encoding = evidence.session.encoding
    meant = signal_to_linear(signal, encoding) if encoding.eotf == "PQ" else signal**DARK_GAMMA
    due = meant * light[-1]
    dark = (light < CRUSHED * due) & (due - light > BEYOND_NOISE * evidence.noise(due)) & (signal < 1)
    if dark.any():
        step = np.flatnonzero(dark)[-1]
        even = "PQ" if encoding.eotf == "PQ" else "even a gamma of 3"
        yield Remark(
            WARN,
            f"the {name} ramp is clipped at the dark end: {100 * signal[step]:.4g} % signal gives "
            f"{light[step]:.3g} cd/m² above black where {even} gives {due[step]:.3g}",
            "look at the brightness setting and at the range (full or video) at both ends of the cable",
        )


def _falling(evidence: Evidence, _: Context) -> Iterator[Remark]:
    for name, signal, xyz in evidence.ramps():
        if len(signal) < 2:
            continue
        luminance, light = xyz[:, 1], xyz.sum(axis=1)  # Y is a small and noisy share of blue
        noise = evidence.noise(light)
        fall = light[:-1] - light[1:] - BEYOND_NOISE * np.hypot(noise[:-1], noise[1:])
        if fall.max() > 0:
            step = int(fall.argmax())
            yield Remark(
                WARN,
                f"the {name} ramp falls from {luminance[step]:.4g} cd/m² at {100 * signal[step]:.4g} % signal to "
                f"{luminance[step + 1]:.4g} at {100 * signal[step + 1]:.4g} %, more than the noise of "
                f"{100 * evidence.relative_noise:.2g} % explains",
                "look for a reading taken before the patch was up, or a fault of the tone curve; measure again",
            )


def slope_falls(signal: Array, luminance: Array, noise: Array | float = 0.0) -> list[int]:
    """Return the places of the steps at which a ramp's slope falls: its second derivative is negative there.

    A smooth ramp climbs ever faster, else it shows contours (ICDM IDMS, 6.14; second differences above 0 in
    the DCI Compliance Test Plan 1.4.3, 7.5.10).

    Args:
        signal: Rising, shape (n,).
        luminance: Shape (n,), cd/m².
        noise: Standard deviation of each luminance, cd/m²; a fall must exceed four of its own.
    """
    run, rise = np.diff(signal), np.diff(luminance)
    slope = rise / run
    sd = np.broadcast_to(np.asarray(noise, dtype=float), luminance.shape)
    weights = np.stack([1 / run[:-1], -(1 / run[:-1] + 1 / run[1:]), 1 / run[1:]])
    spread = np.sqrt(((weights * np.stack([sd[:-2], sd[1:-1], sd[2:]])) ** 2).sum(axis=0))
    return [place + 1 for place in np.flatnonzero(np.diff(slope) < -BEYOND_NOISE * spread).tolist()]


def _contours(evidence: Evidence, _: Context) -> Iterator[Remark]:
    name, signal, xyz = next(evidence.ramps())
    if len(signal) < FEWEST_FOR_SLOPE:
        return
    luminance = xyz[:, 1]
    places = slope_falls(signal, luminance, evidence.noise(luminance))
    if places:
        listed = ", ".join(f"{100 * signal[place]:.4g} %" for place in places[:6])
        yield Remark(
            NOTE,
            f"the {name} ramp climbs more slowly above {listed} signal than below: contours may show there",
            "look at a smooth ramp on the display",
        )


def _shifting(evidence: Evidence, _: Context) -> Iterator[Remark]:
    if evidence.black is None:
        return
    found = []
    for name, signal, xyz in list(evidence.ramps())[1:]:
        light = xyz - evidence.black
        if len(signal) < FEWEST_STEPS or signal[-1] < 1 or light[-1, 1] <= 0:
            continue
        size = light.sum(axis=1)
        error = evidence.noise(xyz).sum(axis=1) + evidence.noise(evidence.black).sum()
        clear = (size > SHIFT_SHARE * size[-1]) & (size > 20 * error) & (light[:, 1] > 0)
        if clear.sum() < 2:
            continue
        shift = np.linalg.norm(uv(light[clear]) - uv(light[-1]), axis=-1)
        shift = shift - error[clear] / size[clear]  # a chromaticity errs by about this share
        worst = int(shift.argmax())
        if shift[worst] > SHIFT:
            found.append(
                f"{name} at {100 * signal[clear][worst]:.4g} % signal is {shift[worst]:.3f} u′v′ from its full colour"
            )
    if found:
        yield Remark(
            WARN,
            f"primaries change colour along their ramps, black subtracted: {', '.join(found)}",
            "look for room light that changed, stray light, or a display whose channels leak into each other; a "
            "matrix cannot follow it",
        )


def _sum(evidence: Evidence, _: Context) -> Iterator[Remark]:
    primaries, white, black = evidence.primaries, evidence.white, evidence.black
    if primaries is None or white is None or black is None or white[1] <= black[1]:
        return
    total = float(primaries[:, 1].sum())
    error = total / float(white[1] - black[1]) - 1
    if abs(error) > max(SUM, 2 * BEYOND_NOISE * evidence.relative_noise):
        why = (
            "white is brighter than its parts: a white sub-pixel or a boost"
            if error < 0
            else "white is dimmer than its parts: a limiter of the light, or a clipped white"
        )
        yield Remark(
            WARN,
            f"full red, green and blue add to {total:.4g} cd/m², white reads {white[1] - black[1]:.4g} above black "
            f"({100 * error:+.1f} %); {why}",
            "switch the boost or the limiter off, or lower the peak, and measure again; as it is, a model over the "
            "patches as read has to stand for it, so read many mixed colours, such as the standard list",
        )


RAMPS = (
    Check("saturated ramp", _saturated),
    Check("ramp falls", _falling),
    Check("contours", _contours),
    Check("primary shifts", _shifting),
    Check("sum of primaries", _sum),
)
