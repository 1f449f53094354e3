"""One monitor against the room's reference: difference, target, limits, verdict."""

from dataclasses import dataclass, replace

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.displays.reach import Panel, nearest_white, panel_from_limits, panel_from_session
from matchlib.displays.response import Response, fit_response
from matchlib.encoding import Encoding, convert_signal
from matchlib.facility.rooms import Instrument, Monitor, Room
from matchlib.matching.ideal import Ideal, ideal_display
from matchlib.matching.limits import chromaticity, limits_in_words
from matchlib.matching.result import Detail, Figures, MonitorMatch, Target, Verdict
from matchlib.matching.target import Search, Settings, Task, project, search
from matchlib.matching.verdict import judge
from matchlib.patches import PatchList
from matchlib.perception.difference import (
    CAM16_UCS,
    CIEDE2000,
    ITP,
    Score,
    cam16_ucs,
    ciede2000,
    delta_e_itp,
    score,
)
from matchlib.perception.viewing import Wanted
from matchlib.readings.archive import Choice
from matchlib.readings.session import Session, average_repeats, pair

WORTH_SETTING = 0.05  # CIEDE2000, mean: what gains less is not worth odd settings, or a visit
_LEVELS = ("now", "settings", "curves", "table")


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """What the monitors of a room are held against.

    Attributes:
        session: Of the projector; ``response``: what is followed, measured or nominal.
        patches: The standard list in the projector's signals.
        wanted: What a monitor should show for them.
    """

    session: Session
    response: Response
    encoding: Encoding
    patches: PatchList
    wanted: Wanted


def match_monitor(
    reference: Reference,
    room: Room,
    monitor: Monitor,
    choices: tuple[Choice, Choice],
    instruments: dict[str, Instrument],
) -> MonitorMatch:
    """Return one monitor's result; ``not measured`` where no session of it counts.

    Args:
        reference: The room's.
        room: Its settings.
        monitor: Row of the inventory.
        choices: Its calibrated and its native choice.
        instruments: By id.
    """
    calibrated, native = choices
    if calibrated.session is None:
        return _not_measured(monitor, calibrated)
    session = calibrated.session
    response = fit_response(session)
    figures = figures_of(session, response, instruments[session.header.instrument])
    panel = _panel(monitor, response, native)
    ideal = ideal_display(reference.response, reference.encoding, session.encoding)
    signal = convert_signal(reference.patches.signal, reference.encoding, session.encoding)
    labels, wanted = reference.patches.labels, reference.wanted
    now_xyz = response.forward(signal)
    now = ciede2000(wanted.xyz, now_xyz, wanted.white)
    difference = score(CIEDE2000, now, labels)
    task = _task(monitor, room, response, panel, ideal, signal, wanted)
    space, x = _best(task, ideal, monitor)
    settings, after_xyz = space.settings(x), space.shown(x)
    target = _target(settings, panel, task, score(CIEDE2000, ciede2000(wanted.xyz, after_xyz, wanted.white), labels))
    better = difference.mean - target.expected.mean
    if better <= 0:
        target = _as_it_is(figures, response, difference)
        after_xyz = now_xyz
    ideal_target = _ideal_target(ideal, settings, panel, signal, reference)
    return MonitorMatch(
        monitor=monitor.id,
        preset=monitor.preset,
        session=session.file,
        measured=session.header.measured.isoformat(),
        response=figures,
        difference=difference,
        as_read=_as_read(reference, session, room),
        other_metrics=(
            score(ITP, delta_e_itp(wanted.xyz, now_xyz), labels),
            score(CAM16_UCS, cam16_ucs(wanted.xyz, now_xyz, wanted.white, room.surround), labels),
        ),
        ideal=ideal_target,
        target=target,
        common_target=None,
        levels=dict.fromkeys(_LEVELS) | {"now": difference, "settings": target.expected},
        causes=None,
        limits=tuple(limits_in_words(task, ideal.primaries_xyz, ideal.white_xyz, settings.backlight)),
        verdict=judge(difference, figures, ideal_target, room.tolerances),
        warnings=tuple(_warnings(reference, session, response, panel, calibrated, native)),
        adjust=better >= WORTH_SETTING,
        instrument=session.header.instrument,
        row=monitor,
        detail=Detail(
            session=session,
            patches=average_repeats(session),
            response=response,
            panel=panel,
            labels=labels,
            signal=signal,
            wanted_xyz=wanted.xyz,
            now_xyz=read_only(now_xyz),
            after_xyz=read_only(after_xyz),
            now=read_only(now),
            after=read_only(ciede2000(wanted.xyz, after_xyz, wanted.white)),
            reference_white=wanted.white,
            target_primaries_xyz=read_only(settings.primaries_xyz if better > 0 else response.primaries_xyz.T),
        ),
    )


def figures_of(session: Session, response: Response, instrument: Instrument) -> Figures:
    """Return a response in figures, with the error of its fit over the patches as read."""
    patches = average_repeats(session)
    errors = ciede2000(patches.xyz, response.forward(patches.signal), response.white_xyz)
    labels = tuple(
        names[0] if names else "R {:.4g} G {:.4g} B {:.4g}".format(*100 * signal)
        for names, signal in zip(patches.labels, patches.signal, strict=True)
    )
    seen = response.black_read and response.black > instrument.floor
    red, green, blue = (chromaticity(light) for light in response.primaries_xyz)
    return Figures(
        luminance=response.luminance,
        black=response.black if response.black_read else None,
        contrast=response.luminance / response.black if seen else None,
        white_xy=chromaticity(response.white_xyz),
        red_xy=red,
        green_xy=green,
        blue_xy=blue,
        gamma=response.gamma if np.isfinite(response.gamma) else None,
        additivity_error=response.additivity_error,
        fit_error=score(CIEDE2000, errors, labels),
    )


def _not_measured(monitor: Monitor, choice: Choice) -> MonitorMatch:
    reasons = [f"{file} does not count: {reason}" for file, reason in choice.passed_over]
    return MonitorMatch(
        monitor=monitor.id,
        preset=monitor.preset,
        session=None,
        measured=None,
        response=None,
        difference=None,
        as_read=None,
        other_metrics=None,
        ideal=None,
        target=None,
        common_target=None,
        levels=dict.fromkeys(_LEVELS),
        causes=None,
        limits=(),
        verdict=Verdict("not measured", None, ()),
        warnings=(*reasons, *map(str, choice.warnings)),
        row=monitor,
    )


def _panel(monitor: Monitor, response: Response, native: Choice) -> Panel:
    """Return what the panel can show: its native session, else native limits, else a guess."""
    if native.session is not None:
        return panel_from_session(fit_response(native.session), native.session.file)
    if monitor.native is not None:
        return panel_from_limits(monitor.native, response)
    guessed = (
        "no native session and no native limits: the reach is a guess, taken as the calibrated session's own "
        "gamut and peak"
    )
    return panel_from_session(response, "the calibrated session", guessed)


def _task(  # noqa: PLR0913, PLR0917 (everything that bounds the search)
    monitor: Monitor,
    room: Room,
    response: Response,
    panel: Panel,
    ideal: Ideal,
    signal: Array,
    wanted: Wanted,
) -> Task:
    """Return the search of one monitor: what its menu takes is free, the rest stays as it is."""
    adjusts = monitor.adjusts
    free_primaries, free_gamma = "primaries" in adjusts, "gamma" in adjusts
    white = ideal.white_xyz if "white" in adjusts else response.white_xyz
    peak = ideal.white_xyz[1] if "luminance" in adjusts else response.luminance
    primaries = ideal.primaries_xyz.T if free_primaries else response.primaries_xyz.T
    pinned = nearest_white(panel, white / white[1] * peak)
    pinned = _within_peak(pinned, panel, None if free_primaries else primaries)
    gamma = ideal.gamma if free_gamma or not np.isfinite(response.gamma) else response.gamma
    return Task(
        signal=signal,
        wanted_xyz=wanted.xyz,
        reference_white=wanted.white,
        panel=panel,
        white_xyz=pinned,
        primaries_xyz=primaries,
        hull_xyz=np.vstack([ideal.primaries_xyz, panel.matrix.T]),
        gamma=float(np.clip(gamma, 1.0, 4.0)),
        free_primaries=free_primaries,
        free_gamma=free_gamma,
        linear=None if free_gamma else response.linear(signal),
        backlight_range=(monitor.dims_min, 1.0) if monitor.dims == "backlight" else (1.0, 1.0),
        shrink=room.out_of_reach == "shrink",
    )


def _within_peak(white: Array, panel: Panel, fixed_primaries: Array | None) -> Array:
    """Return the white, darkened as far as the panel's light demands.

    With free primaries the panel's own can always be had, so each channel's share of white must not exceed
    its full drive; with fixed ones no row's positive part may.
    """
    inverse = np.linalg.inv(panel.matrix)
    black = inverse @ panel.black_xyz
    if fixed_primaries is None:
        highest = float(((1 + black) / (inverse @ white)).min())
        return white * min(1.0, highest * (1 - 1e-9))
    directions = inverse @ (fixed_primaries / fixed_primaries.sum(axis=0))

    def drive(scale: float) -> float:
        share = np.linalg.solve(directions, inverse @ white * scale - black)
        return float(np.maximum(directions * share, 0).sum(axis=1).max())

    if drive(1.0) <= 1.0:
        return white
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if drive(middle) <= 1.0 else (low, middle)
    return white * low * (1 - 1e-9)


def _best(task: Task, ideal: Ideal, monitor: Monitor) -> tuple[Search, Array]:
    """Return the searched settings, or the ideal's own figures where those do as well within a hair."""
    space, x = search(task)
    if not ("primaries" in monitor.adjusts or "gamma" in monitor.adjusts):
        return space, x
    primaries = ideal.primaries_xyz.T if task.free_primaries else task.primaries_xyz
    plain = Search(
        replace(
            task,
            primaries_xyz=primaries,
            gamma=float(np.clip(ideal.gamma, 1, 4)),
            free_primaries=False,
            free_gamma=False,
        )
        if task.free_gamma
        else replace(task, primaries_xyz=primaries, free_primaries=False)
    )
    if task.shrink and np.any(plain.drive(plain.start) < -1e-9):
        return space, x
    if project(plain, plain.start) is None:
        return space, x
    plain, own = search(plain.task)
    return (plain, own) if plain.mean(own) - space.mean(x) < WORTH_SETTING else (space, x)


def _target(settings: Settings, panel: Panel, task: Task, expected: Score) -> Target:
    red, green, blue = (chromaticity(light) for light in settings.primaries_xyz.T)
    return Target(
        luminance=float(settings.white_xyz[1]),
        black=float(settings.backlight * panel.black_xyz[1]),
        white_xy=chromaticity(settings.white_xyz),
        red_xy=red,
        green_xy=green,
        blue_xy=blue,
        gamma=settings.gamma,
        tone="gamma" if task.linear is None else "curve",
        expected=expected,
    )


def _as_it_is(figures: Figures, response: Response, now: Score) -> Target:
    return Target(
        luminance=figures.luminance,
        black=response.black,
        white_xy=figures.white_xy,
        red_xy=figures.red_xy,
        green_xy=figures.green_xy,
        blue_xy=figures.blue_xy,
        gamma=figures.gamma,
        tone="curve",
        expected=now,
    )


def _ideal_target(ideal: Ideal, settings: Settings, panel: Panel, signal: Array, reference: Reference) -> Target:
    """Return the ideal as a target, and what an unlimited display set to it would leave."""
    black = settings.backlight * panel.black_xyz
    directions = ideal.primaries_xyz.T
    matrix = directions * np.linalg.solve(directions, ideal.white_xyz - black)
    shown = black + signal**ideal.gamma @ matrix.T
    wanted = reference.wanted
    expected = score(CIEDE2000, ciede2000(wanted.xyz, shown, wanted.white), reference.patches.labels)
    red, green, blue = (chromaticity(light) for light in ideal.primaries_xyz)
    return Target(
        luminance=float(ideal.white_xyz[1]),
        black=float(black[1]),
        white_xy=chromaticity(ideal.white_xyz),
        red_xy=red,
        green_xy=green,
        blue_xy=blue,
        gamma=ideal.gamma,
        tone="gamma",
        expected=expected,
    )


def _as_read(reference: Reference, session: Session, room: Room) -> Score | None:
    """Return the score of the patches that both sessions hold; None where they share none."""
    if room.reference == "nominal":
        return None
    pairs = pair(reference.session, session)
    if not pairs:
        return None
    here, there, labels = zip(*pairs, strict=True)
    projector, monitor = average_repeats(reference.session), average_repeats(session)
    differences = ciede2000(projector.xyz[list(here)], monitor.xyz[list(there)], reference.wanted.white)
    return score(CIEDE2000, differences, tuple(labels))


def _warnings(
    reference: Reference,
    session: Session,
    response: Response,
    panel: Panel,
    calibrated: Choice,
    native: Choice,
) -> list[str]:
    found = [str(problem) for problem in (*calibrated.warnings, *native.warnings)]
    if panel.guessed:
        found.append(panel.guessed)
    if not response.black_read:
        found.append(f"{session.file}: black was not read; the fit's {response.black:.3g} cd/m² stands for it")
    ours, theirs = reference.session.header.window, session.header.window
    if ours != theirs:
        found.append(
            f"the projector was read with a window of {ours or 'unstated size'}, this monitor with "
            f"{theirs or 'unstated size'}: a screen whose light depends on its load reads differently"
        )
    return list(dict.fromkeys(found))
