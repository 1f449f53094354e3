"""One monitor against the room's reference: difference, target, limits, verdict."""

from matchlib.arrays import Array, read_only
from matchlib.facility.rooms import Monitor, Room
from matchlib.matching.causes import causes, ideal_look, look_of
from matchlib.matching.conformity import video_conformity
from matchlib.matching.deciding import Read, judge_readings
from matchlib.matching.figures_uncertainty import with_uncertainty
from matchlib.matching.fitting import words_on_fit
from matchlib.matching.for_all import OnOne
from matchlib.matching.ideal import PQ
from matchlib.matching.limits import limits_in_words
from matchlib.matching.promises import promises_of
from matchlib.matching.reference import Judge, Reference
from matchlib.matching.result import Detail, MonitorMatch, Previous, Verdict
from matchlib.matching.rounding import rounding_loss
from matchlib.matching.settings import WORTH_SETTING, Compared, ideal_linear, ideal_target
from matchlib.matching.solving import Solved
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
from matchlib.perception.viewing import wanted
from matchlib.readings.choice import Choice
from matchlib.readings.session import Session, average_repeats, pair

LEVELS = ("now", "settings", "curves", "table")


def match_monitor(
    judge: Judge, solved: Solved, common: OnOne | None = None, previous: Previous | None = None
) -> MonitorMatch:
    """Return one monitor's result from the best of each level.

    Args:
        judge: The room's.
        solved: The monitor.
        common: The room's one target on this monitor; None where the room has none.
        previous: What the session before promised; None where there was none.
    """
    reference, room, meters = judge.reference, judge.room, judge.meters
    prepared, compared, found = solved.prepared, solved.compared, solved.found
    monitor, session, (calibrated, native) = prepared.monitor, prepared.session, prepared.choices
    instrument = meters.instruments[session.header.instrument]
    shared = common if room.common_target else None
    ideal = ideal_target(compared, compared.ideal, found.settings.backlight)
    judged = judge_readings(reference.errors, compared, ideal, room, Read(session, prepared.correction), meters)
    promised = promises_of(judge, solved, ideal, judged, common)
    gain = promised.common_gain if shared is not None and promised.common_gain is not None else promised.gain
    conformity = video_conformity(session, prepared.response, compared.figures, instrument, room.tolerances.rule)
    return MonitorMatch(
        monitor=monitor.id,
        preset=monitor.preset,
        session=session.file,
        measured=session.header.measured.isoformat(),
        response=with_uncertainty(compared.figures, judged.errors),
        difference=judged.now,
        as_read=_as_read(reference, session, room, compared),
        other_metrics=_other_metrics(compared, room),
        ideal=promised.ideal,
        target=promised.target,
        common_target=promised.common,
        levels=dict(
            zip(LEVELS, (judged.now, promised.target.expected, promised.curves, promised.table), strict=True)
        ),
        causes=_causes(reference, compared, judged.now.mean),
        limits=tuple(limits_in_words(found.task, compared.ideal, found.settings.backlight, room.match)),
        verdict=judged.verdict,
        deciding=judged.deciding,
        conformity=conformity,
        warnings=(*_warnings(reference, solved), *judged.notes),
        findings=(*calibrated.findings, *native.findings),
        adjust=gain.mean >= max(WORTH_SETTING, gain.uncertainty),
        follows_room=shared is not None,
        previous=previous,
        gain=gain,
        ideal_keeping=promised.keeping,
        rounding_loss=_rounding(solved, shared),
        instrument=session.header.instrument,
        row=monitor,
        detail=_detail(session, solved, shared, judged.sure.white_covariance),
    )


def _causes(reference: Reference, compared: Compared, mean: float) -> tuple[dict[str, str | float], ...]:
    """Return the shares of the mean difference; the ideal's black is what the monitor should show for black."""
    darkest = int(compared.signal.sum(axis=1).argmin())
    ideal = ideal_look(compared.ideal, compared.wanted.xyz[darkest], ideal_linear(reference, compared))
    return causes(look_of(compared.response, compared.signal), ideal, compared.wanted, mean)


def _rounding(solved: Solved, shared: OnOne | None) -> float | None:
    """Return what rounding costs of what the monitor is set to; None where nothing found is better than now."""
    if shared is not None:
        return rounding_loss(solved.compared, shared.task, shared.settings)
    if solved.found.kept:
        return None
    return rounding_loss(solved.compared, solved.found.task, solved.found.settings)


def _detail(session: Session, solved: Solved, shared: OnOne | None, white_covariance: Array) -> Detail:
    """Return what the figures are drawn from."""
    compared, found = solved.compared, solved.found
    after = found.after_xyz if shared is None else shared.shown
    aim, now_xyz = compared.wanted, compared.now_xyz
    return Detail(
        session=session,
        patches=average_repeats(session),
        response=compared.response,
        panel=compared.panel,
        labels=compared.labels,
        signal=compared.signal,
        wanted_xyz=aim.xyz,
        now_xyz=read_only(now_xyz),
        after_xyz=read_only(after),
        now=read_only(ciede2000(aim.xyz, now_xyz, aim.white)),
        after=read_only(ciede2000(aim.xyz, after, aim.white)),
        reference_white=aim.white,
        target_primaries_xyz=read_only(found.primaries_xyz),
        white_covariance=read_only(white_covariance),
    )


def _other_metrics(compared: Compared, room: Room) -> tuple[Score, ...]:
    """Return the scores beside CIEDE2000."""
    aim, shown = compared.wanted, compared.now_xyz
    itp = delta_e_itp(aim.xyz, shown)
    ucs = cam16_ucs(aim.xyz, shown, aim.white, room.surround)
    return score(ITP, itp, compared.labels), score(CAM16_UCS, ucs, compared.labels)


def not_measured(monitor: Monitor, choice: Choice) -> MonitorMatch:
    """Return the result for a monitor of which no session counts."""
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
        levels=dict.fromkeys(LEVELS),
        causes=None,
        limits=(),
        verdict=Verdict("not measured", None, ()),
        warnings=(*reasons, *map(str, choice.warnings)),
        row=monitor,
    )


def _as_read(reference: Reference, session: Session, room: Room, compared: Compared) -> Score | None:
    """Return the score of the patches that both sessions hold; None where they share none."""
    if room.reference == "nominal":
        return None
    pairs = pair(reference.session, session)
    if not pairs:
        return None
    here, there, labels = zip(*pairs, strict=True)
    projector, monitor = average_repeats(reference.session), average_repeats(session)
    shown = projector.xyz[list(here)] + reference.veil
    aim = wanted(reference.wanted.viewing, shown, reference.response.white_xyz)
    differences = ciede2000(aim.xyz, monitor.xyz[list(there)] + compared.veil.unread, aim.white)
    return score(CIEDE2000, differences, tuple(labels))


def _warnings(reference: Reference, solved: Solved) -> list[str]:
    prepared, panel = solved.prepared, solved.compared.panel
    session, response, (calibrated, native) = prepared.session, prepared.response, prepared.choices
    found = [str(problem) for problem in (*calibrated.warnings, *native.warnings)]
    found += words_on_fit(session, response)
    if panel.guessed:
        found.append(panel.guessed)
    if not response.black_read:
        found.append(f"{session.file}: black was not read; the fit's {response.black:.3g} cd/m² stands for it")
    if (reference.encoding.eotf == PQ) != (solved.compared.encoding.eotf == PQ):
        found.append(
            f"the projector is fed {reference.encoding.name}, this monitor {solved.compared.encoding.name}: "
            "between PQ and other tones signals are converted white to white"
        )
    ours, theirs = reference.session.header.window, session.header.window
    if ours != theirs:
        found.append(
            f"the projector was read with a window of {ours or 'unstated size'}, this monitor with "
            f"{theirs or 'unstated size'}: a screen whose light depends on its load reads differently"
        )
    return list(dict.fromkeys(found))
