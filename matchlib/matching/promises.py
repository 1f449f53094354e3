"""What each level and each target of a monitor is expected to leave, and how sure that is."""

from dataclasses import dataclass, replace

from matchlib.arrays import Array
from matchlib.matching.deciding import Judged
from matchlib.matching.errors_of_readings import display_of, sources_of
from matchlib.matching.expecting import Expecting
from matchlib.matching.for_all import OnOne
from matchlib.matching.ideal import Ideal
from matchlib.matching.levels import Levelled
from matchlib.matching.reference import Judge
from matchlib.matching.result import Gain, Target
from matchlib.matching.settings import ideal_shown, ideal_target
from matchlib.matching.solving import Solved
from matchlib.perception.difference import Score


@dataclass(frozen=True, slots=True)
class Promises:
    """Targets and levels with the uncertainty of what is expected of them.

    Attributes:
        gain: Of the monitor's own target; ``common_gain``: of the room's, None where it has none.
        keeping: The ideal that keeps the projector's primaries, in the match mode ``appearance``; else None.
    """

    ideal: Target
    target: Target
    gain: Gain
    curves: Score
    table: Score
    common: Target | None = None
    common_gain: Gain | None = None
    keeping: Target | None = None


def promises_of(judge: Judge, solved: Solved, ideal: Target, judged: Judged, common: OnOne | None) -> Promises:
    """Return what is promised to a monitor.

    Args:
        judge: The room's.
        solved: The best of each level.
        ideal: As a target.
        judged: What its readings allow to be said.
        common: The room's target on it; None where the room has none.
    """
    compared, found, curves = solved.compared, solved.found, solved.curves
    expecting = _expecting(judge, solved, judged)
    black = compared.veil.seen + found.settings.backlight * compared.panel.black_xyz
    now = judged.now

    def sure(level: Levelled, dark: Array) -> tuple[Gain, Score]:
        gain, u_mean = expecting.gain(now.mean, level.score.mean, level.shown, dark)
        return gain, replace(level.score, u_mean=u_mean)

    if found.kept:  # what it shows already is promised as surely as it is known
        gain, target = Gain(0.0, 0.0), expecting.of(found.target, now.u_mean or 0.0)
    else:
        gain, expected = sure(Levelled(found.after_xyz, found.target.expected), black)
        target = expecting.of(found.target, expected.u_mean or 0.0)
    dark = compared.veil.seen + curves.settings.backlight * compared.panel.black_xyz
    as_menu = replace(curves.score, u_mean=target.expected.u_mean)
    curves_score = as_menu if curves.kept else sure(Levelled(curves.shown, curves.score), dark)[1]

    def unlimited(kind: Ideal, as_target: Target) -> Target:
        shown = ideal_shown(compared, kind, found.settings.backlight)
        return expecting.of(as_target, expecting.unlimited(shown, black))

    keeping = compared.ideal.keeping
    promised = Promises(
        ideal=unlimited(compared.ideal, ideal),
        target=target,
        gain=gain,
        curves=curves_score,
        table=curves_score if solved.table.shown is curves.shown else sure(solved.table, dark)[1],
        keeping=None
        if keeping is None
        else unlimited(keeping, ideal_target(compared, keeping, found.settings.backlight)),
    )
    if common is None:
        return promised
    lit = common.settings.backlight * compared.panel.black_xyz
    common_gain, expected = sure(Levelled(common.shown, common.target.expected), compared.veil.seen + lit)
    return replace(promised, common=expecting.of(common.target, expected.u_mean or 0.0), common_gain=common_gain)


def _expecting(judge: Judge, solved: Solved, judged: Judged) -> Expecting:
    """Return the readings of reference, monitor and panel under the same draws."""
    native, meters, compared = solved.prepared.native, judge.meters, solved.compared
    panel = None
    if native is not None:
        instrument = meters.instruments[native.session.header.instrument]
        sources = sources_of(instrument, meters, native.correction)
        panel = display_of(native.session, native.response, compared.signal, sources, instrument)
    now = judged.sure.samples["mean_difference"]
    return Expecting(judge.reference.errors, judged.errors, panel, compared.wanted.viewing, now)
