"""One monitor against the room's reference: difference, target, limits, verdict."""

from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.displays.reach import Panel, panel_from_limits, panel_from_session
from matchlib.displays.response import Response, fit_response
from matchlib.encoding import Encoding, convert_signal
from matchlib.facility.rooms import Instrument, Monitor, Room
from matchlib.matching.conformity import video_conformity
from matchlib.matching.deciding import Read, judge_readings
from matchlib.matching.errors_of_readings import Display, display_of, sources_of
from matchlib.matching.expecting import Expecting
from matchlib.matching.figures_uncertainty import with_uncertainty
from matchlib.matching.ideal import ideal_display
from matchlib.matching.limits import chromaticity, limits_in_words
from matchlib.matching.result import Detail, Figures, Gain, MonitorMatch, Target, Verdict
from matchlib.matching.settings import WORTH_SETTING, Compared, Found, best_settings
from matchlib.matching.target import Settings
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
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Session, average_repeats, pair

_LEVELS = ("now", "settings", "curves", "table")


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """What the monitors of a room are held against.

    Attributes:
        session: Of the projector; ``response``: what is followed, measured or nominal.
        patches: The standard list in the projector's signals.
        wanted: What a monitor should show for them.
        errors: What can be wrong with what is followed.
    """

    session: Session
    response: Response
    encoding: Encoding
    patches: PatchList
    wanted: Wanted
    errors: Display


def match_monitor(
    reference: Reference,
    room: Room,
    monitor: Monitor,
    choices: tuple[Choice, Choice],
    meters: Meters,
) -> MonitorMatch:
    """Return one monitor's result; ``not measured`` where no session of it counts.

    Args:
        reference: The room's.
        room: Its settings.
        monitor: Row of the inventory.
        choices: Its calibrated and its native choice.
        meters: Instruments and their corrections.
    """
    calibrated, native = choices
    if calibrated.session is None:
        return _not_measured(monitor, calibrated)
    session, correction = meters.corrected(calibrated.session, monitor.panel)
    instrument = meters.instruments[session.header.instrument]
    response = fit_response(session)
    compared = Compared(
        response=response,
        figures=figures_of(session, response, instrument),
        panel=_panel(monitor, response, native, meters),
        ideal=ideal_display(reference.response, reference.encoding, session.encoding),
        signal=convert_signal(reference.patches.signal, reference.encoding, session.encoding),
        labels=reference.patches.labels,
        wanted=reference.wanted,
    )
    found = best_settings(compared, monitor, room)
    ideal = _ideal_target(compared, found.settings)
    judged = judge_readings(reference.errors, compared, ideal, room, Read(session, correction), meters)
    panel_errors = _panel_errors(monitor, native, compared, meters)
    expecting = Expecting(
        reference.errors, judged.errors, panel_errors, room.match, judged.sure.samples["mean_difference"]
    )
    target, gain = _sure_target(expecting, compared, found, judged.now)
    return MonitorMatch(
        monitor=monitor.id,
        preset=monitor.preset,
        session=session.file,
        measured=session.header.measured.isoformat(),
        response=with_uncertainty(compared.figures, judged.errors),
        difference=judged.now,
        as_read=_as_read(reference, session, room),
        other_metrics=_other_metrics(compared, room),
        ideal=expecting.of(ideal, _u_unlimited(expecting, compared, found.settings)),
        target=target,
        common_target=None,
        levels=dict.fromkeys(_LEVELS) | {"now": judged.now, "settings": target.expected},
        causes=None,
        limits=tuple(limits_in_words(found.task, compared.ideal, found.settings.backlight)),
        verdict=judged.verdict,
        deciding=judged.deciding,
        conformity=video_conformity(session, response, compared.figures, instrument, room.tolerances.rule),
        warnings=(*_warnings(reference, session, compared, calibrated, native), *judged.notes),
        findings=(*calibrated.findings, *native.findings),
        adjust=gain.mean >= max(WORTH_SETTING, gain.uncertainty),
        gain=gain,
        instrument=session.header.instrument,
        row=monitor,
        detail=_detail(session, compared, found, judged.sure.white_covariance),
    )


def _panel_errors(monitor: Monitor, native: Choice, compared: Compared, meters: Meters) -> Display | None:
    """Return the panel's native session with what can be wrong with it; None where there is none."""
    if native.session is None:
        return None
    session, correction = meters.corrected(native.session, monitor.panel)
    instrument = meters.instruments[session.header.instrument]
    sources = sources_of(instrument, meters, correction)
    return display_of(session, fit_response(session), compared.signal, sources, instrument)


def _sure_target(expecting: Expecting, compared: Compared, found: Found, now: Score) -> tuple[Target, Gain]:
    """Return the target with its uncertainties, and what it gains; nothing, where it is what the monitor shows."""
    if found.after_xyz is compared.now_xyz:
        return expecting.of(found.target, now.u_mean or 0.0), Gain(0.0, 0.0)
    black = found.settings.backlight * compared.panel.black_xyz
    gain, u_mean = expecting.gain(now.mean, found.target.expected.mean, found.after_xyz, black)
    return expecting.of(found.target, u_mean), gain


def _detail(session: Session, compared: Compared, found: Found, white_covariance: Array) -> Detail:
    """Return what the figures are drawn from."""
    wanted, now_xyz = compared.wanted, compared.now_xyz
    return Detail(
        session=session,
        patches=average_repeats(session),
        response=compared.response,
        panel=compared.panel,
        labels=compared.labels,
        signal=compared.signal,
        wanted_xyz=wanted.xyz,
        now_xyz=read_only(now_xyz),
        after_xyz=read_only(found.after_xyz),
        now=read_only(ciede2000(wanted.xyz, now_xyz, wanted.white)),
        after=read_only(ciede2000(wanted.xyz, found.after_xyz, wanted.white)),
        reference_white=wanted.white,
        target_primaries_xyz=read_only(found.primaries_xyz),
        white_covariance=read_only(white_covariance),
    )


def _other_metrics(compared: Compared, room: Room) -> tuple[Score, ...]:
    """Return the scores beside CIEDE2000."""
    wanted, shown = compared.wanted, compared.now_xyz
    itp = delta_e_itp(wanted.xyz, shown)
    ucs = cam16_ucs(wanted.xyz, shown, wanted.white, room.surround)
    return score(ITP, itp, compared.labels), score(CAM16_UCS, ucs, compared.labels)


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


def _panel(monitor: Monitor, response: Response, native: Choice, meters: Meters) -> Panel:
    """Return what the panel can show: its native session, else native limits, else a guess."""
    if native.session is not None:
        session, _ = meters.corrected(native.session, monitor.panel)
        return panel_from_session(fit_response(session), session.file)
    if monitor.native is not None:
        return panel_from_limits(monitor.native, response)
    guessed = (
        "no native session and no native limits: the reach is a guess, taken as the calibrated session's own "
        "gamut and peak"
    )
    return panel_from_session(response, "the calibrated session", guessed)


def _ideal_target(compared: Compared, settings: Settings) -> Target:
    """Return the ideal as a target, and what an unlimited display set to it would leave."""
    ideal, black = compared.ideal, settings.backlight * compared.panel.black_xyz
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
        expected=compared.score_of(_unlimited(compared, settings)),
    )


def _unlimited(compared: Compared, settings: Settings) -> Array:
    """Return what an unlimited display set to the ideal shows over the panel's black, shape (n, 3)."""
    ideal, black = compared.ideal, settings.backlight * compared.panel.black_xyz
    directions = ideal.primaries_xyz.T
    matrix = directions * np.linalg.solve(directions, ideal.white_xyz - black)
    return np.asarray(black + compared.signal**ideal.gamma @ matrix.T)


def _u_unlimited(expecting: Expecting, compared: Compared, settings: Settings) -> float:
    black = settings.backlight * compared.panel.black_xyz
    return expecting.unlimited(_unlimited(compared, settings), black)


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
    reference: Reference, session: Session, compared: Compared, calibrated: Choice, native: Choice
) -> list[str]:
    response, panel = compared.response, compared.panel
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
