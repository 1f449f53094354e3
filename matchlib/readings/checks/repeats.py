"""What repeats tell: drift, warm-up, outliers, and light that depends on the rest of the screen."""

from collections.abc import Iterator

import numpy as np

from matchlib.readings.checks.evidence import Evidence, Track, uv
from matchlib.readings.checks.finding import NOTE, WARN, Check, Context, Remark

BEYOND_NOISE = 4.0  # standard deviations: one false alarm in some 16,000 looks at normal scatter
WHITE_DRIFT = 0.02  # relative: a third of the tolerance of peak luminance. No source
WHITE_SHIFT = 0.001  # Δu′v′: a third of the tolerance of white. No source
TONE_DRIFT = 0.03  # relative to white: it turns a gamma of 2.2 by .04 at half signal, under half the tolerance
FEWEST_TONES = 3  # patches that must drift alike for the tone curve to drift
TONE_SHARE = 1 / 3  # of the repeated patches, the same: a curve moves as a whole, noise does not
SETTLING = 2.0  # times as much change in the first half as in the second: an exponential that ends shows it
LOAD = 0.02  # relative scatter of repeats; a measured OLED under changing load shows some 8 %, a measured LCD 0.3 %
LOAD_STEP = 0.05  # relative: between sessions of different lit share
OUTLIER = 6.0  # robust standard deviations: spikes of an instrument, not the tail of its noise
LEAST_OUTLIER = 0.02  # relative: what would move a difference by about half a unit. No source
PAIR_OUTLIER = 0.10  # relative: of two readings that disagree, none can be told wrong below this
MOST_PAIRS = 0.2  # share of pairs that disagree; where more do, it is drift or load and not single readings
_REST = "let the display warm up (30 minutes or more, common practice, no source), and measure again"


def _white(evidence: Evidence) -> Track | None:
    return next((track for track in evidence.tracks if min(track.signal) >= 1), None)


def _steady(track: Track) -> bool:
    """Return whether a track follows one trend; light that depends on the load does not."""
    return track.few or (track.smooth and track.restless <= LOAD)


def _white_drift(evidence: Evidence, _: Context) -> Iterator[Remark]:
    track = _white(evidence)
    if track is None or track.xyz[:, 1].min() <= 0 or not _steady(track):
        return
    limit = max(WHITE_DRIFT, BEYOND_NOISE * np.sqrt(2) * evidence.relative_noise)
    if abs(track.change) > limit:
        yield Remark(
            WARN,
            f"white drifts by {100 * track.change:+.1f} % over its {len(track.rows)} readings in reading order, "
            f"from {track.xyz[0, 1]:.4g} to {track.xyz[-1, 1]:.4g} cd/m²",
            _REST,
        )
    colour = uv(track.xyz)
    steps = np.linalg.norm(np.diff(colour, axis=0), axis=-1)
    noise = float(np.sqrt((steps**2).mean() / 2))
    shift = float(np.linalg.norm(colour[-1] - colour[0]))
    if len(colour) > 2 and shift > max(WHITE_SHIFT, BEYOND_NOISE * noise):
        yield Remark(WARN, f"white changes colour by {shift:.4f} u′v′ over its {len(track.rows)} readings", _REST)


def _tone_drift(evidence: Evidence, _: Context) -> Iterator[Remark]:
    """Find the tone curve that drifts while white need not: a check of white alone is blind to it."""
    white = _white(evidence)
    of_white = 0.0 if white is None else white.change
    limit = max(TONE_DRIFT, BEYOND_NOISE * np.sqrt(2) * evidence.relative_noise)
    tracks = [track for track in evidence.lit_tracks if min(track.signal) < 1 and _steady(track)]
    moved = [(float((1 + track.change) / (1 + of_white) - 1), track) for track in tracks]
    for sign in (1, -1):
        same = [entry for entry in moved if sign * entry[0] > limit]
        if len(same) >= max(FEWEST_TONES, TONE_SHARE * len(tracks)):
            change, track = max(same, key=lambda entry: sign * entry[0])
            yield Remark(
                WARN,
                f"the tone curve drifts: {len(same)} of {len(tracks)} repeated patches move by more than "
                f"{100 * limit:.2g} % against white, {track.name} most, by {100 * change:+.0f} % (white itself "
                f"{100 * of_white:+.1f} %)",
                f"{_REST}; do not judge the warm-up by white alone",
            )


def _warm_up(evidence: Evidence, _: Context) -> Iterator[Remark]:
    """Tell a display that was still warming up by its repeats: fast at first, then ever slower."""
    tracks = [track for track in evidence.lit_tracks if not track.few and _steady(track)]
    if not tracks:
        return
    thirds = np.array([track.thirds for track in tracks])
    early, late = np.median(thirds[:, 1] - thirds[:, 0]), np.median(thirds[:, 2] - thirds[:, 1])
    limit = max(WHITE_DRIFT, BEYOND_NOISE * evidence.relative_noise)
    if abs(early) > SETTLING * abs(late) and abs(early + late) > limit:
        yield Remark(
            WARN,
            f"repeats change by {100 * np.expm1(early):+.1f} % from the first to the middle third of the session "
            f"and by {100 * np.expm1(late):+.1f} % to the last: the display had not warmed up when it began",
            _REST,
        )


def _load(evidence: Evidence, context: Context) -> Iterator[Remark]:
    tracks = evidence.lit_tracks
    wild = [track for track in tracks if (track.scatter if track.few else track.restless) > LOAD]
    if len(wild) >= max(FEWEST_TONES, len(tracks) / 2) and not _all_drift(wild):
        worst = max(wild, key=lambda track: track.scatter)
        low, high = worst.xyz[:, 1].min(), worst.xyz[:, 1].max()
        yield Remark(
            WARN,
            f"{len(wild)} of {len(tracks)} repeated patches scatter by more than {100 * LOAD:.0f} %, {worst.name} "
            f"from {low:.4g} to {high:.4g} cd/m²: the light depends on what else the screen shows, or the readings "
            "are not of one state",
            "read every patch with the same lit share of the screen, the rest black, and say so (window)",
        )
    white, window = evidence.white, evidence.session.header.window
    for other in context.earlier:
        theirs = Evidence(other).white
        if white is None or theirs is None or other.header.window == window or theirs[1] <= 0:
            continue
        change = float(white[1] / theirs[1] - 1)
        if abs(change) > LOAD_STEP:
            yield Remark(
                WARN,
                f"white reads {white[1]:.4g} cd/m² with a window of {window or 'unstated size'}, {theirs[1]:.4g} in "
                f"{other.file} with {other.header.window or 'unstated size'} ({100 * change:+.0f} %): the light may "
                "depend on the lit share of the screen",
                "read all sessions with the same window",
            )
        return


def _all_drift(tracks: list[Track]) -> bool:
    """Return whether few readings each, all moved the same way: drift explains that as well."""
    return all(track.few for track in tracks) and len({np.sign(track.change) for track in tracks}) == 1


def _outliers(evidence: Evidence, _: Context) -> Iterator[Remark]:
    """Name readings far from their repeats; they stay in the average, for none is dropped in silence."""
    noise = evidence.relative_noise
    pairs = [track for track in evidence.lit_tracks if len(track.rows) == 2]
    apart = [text for track in pairs for text in _disagreement(track, noise)]
    found = [text for track in evidence.lit_tracks if len(track.rows) > 2 for text in _spikes(track, noise)]
    if len(apart) <= max(1, MOST_PAIRS * len(pairs)):
        found += apart
    if found:
        more = f"; and {len(found) - 3} more" if len(found) > 3 else ""
        yield Remark(
            WARN,
            f"readings far from their repeats, kept in the average: {'; '.join(found[:3])}{more}",
            "take the reading out of the export if its cause is known, or measure again",
        )


def _disagreement(track: Track, noise: float) -> list[str]:
    """Return two readings of one signal in words where they disagree; which one is wrong they cannot tell."""
    limit = max(PAIR_OUTLIER, OUTLIER * np.sqrt(2) * noise)
    first, second = track.xyz[:, 1]
    words = f"{track.name} reads {first:.4g} and {second:.4g} cd/m²"
    return [words] if abs(track.log[1] - track.log[0]) > limit else []


def _spikes(track: Track, noise: float) -> list[str]:
    """Return the spikes of a track in words, each against the median of its neighbours in reading order."""
    log, luminance = track.log, track.xyz[:, 1]
    starts = np.clip(np.arange(len(log)) - 1, 0, len(log) - 3)
    near = np.array([np.median(log[start : start + 3]) for start in starts])
    ends = np.array([2 * log[1] - log[2], 2 * log[-2] - log[-3]])  # where a trend would have led
    for end, due in zip((0, -1), ends, strict=True):
        if abs(log[end] - due) < abs(log[end] - near[end]):
            near[end] = due
    apart = log - near
    robust = 1.4826 * float(np.median(np.abs(apart - np.median(apart))))  # the sd of normal scatter
    limit = max(LEAST_OUTLIER, OUTLIER * max(noise, robust))
    return [
        f"{track.name} reads {luminance[place]:.4g} cd/m², {100 * np.expm1(apart[place]):+.0f} % from its neighbours"
        for place in np.flatnonzero(np.abs(apart) > limit)
    ]


def _floor(evidence: Evidence, _: Context) -> Iterator[Remark]:
    patches, floor = evidence.patches, evidence.floor
    below = patches.xyz[:, 1] < floor
    lit = below & (patches.signal.max(axis=1) > 0)
    if lit.any():
        share = 100 * patches.signal[lit].max()
        yield Remark(
            WARN if lit.sum() >= FEWEST_TONES else NOTE,
            f"{int(lit.sum())} of the patches above black read less than the instrument's floor of {floor:g} cd/m², "
            f"up to {share:.3g} % signal: noise, not light",
            "use an instrument that reads lower, or average many readings of the dark patches",
        )
    elif below.any():
        yield Remark(
            NOTE,
            f"black reads {patches.xyz[below, 1].min():.2g} cd/m², below the instrument's floor of {floor:g}: "
            "the display may be darker than can be told",
            "use an instrument that reads lower where black matters",
        )


REPEATS = (
    Check("white drift", _white_drift),
    Check("tone drift", _tone_drift),
    Check("warm-up", _warm_up),
    Check("screen load", _load),
    Check("outliers", _outliers),
    Check("below the floor", _floor),
)
