"""The correction of one monitor of a room: from its native session and what it should show."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from matchlib import __version__
from matchlib.arrays import Array, one_thread, read_only
from matchlib.displays.clf import Provenance
from matchlib.displays.correction import Curves, Table
from matchlib.displays.response import Response, fit_response, nominal_response
from matchlib.encoding import Encoding, linear_to_signal, normalised_matrix, signal_to_linear
from matchlib.errors import InputError, Problem
from matchlib.facility.rooms import Monitor
from matchlib.matching.corrections import Shape, Tone, Tones, curves_correction, table_correction
from matchlib.matching.inputs import RoomInputs
from matchlib.matching.result import Detail, MonitorMatch, Target
from matchlib.matching.room import match_inputs
from matchlib.perception.difference import CIEDE2000, Score, ciede2000, score
from matchlib.perception.viewing import wanted
from matchlib.readings.archive import Choice
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Session

_ROUNDED = 1e-9  # of the backlight: nobody sets it so finely


@dataclass(frozen=True, slots=True, eq=False)
class Goal:
    """What curves make a panel show.

    Attributes:
        matrix: T, columns full red, green, blue above black, shape (3, 3), cd/m².
        black_xyz: b_T, shape (3,), cd/m².
        tone: From the signal to linear light; one, or one a channel.
        backlight: s, 0 to 1: the panel's light is turned down to it by its menu.
    """

    matrix: Array
    black_xyz: Array
    tone: Tone | tuple[Tone, Tone, Tone]
    backlight: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Corrected:
    """A monitor's correction, and what it is expected to do.

    Attributes:
        now: Difference over the standard list as the monitor is; ``expected``: through the correction.
        warnings: What had to be guessed, or what the file supposes.
    """

    correction: Curves | Table
    provenance: Provenance
    now: Score
    expected: Score
    warnings: tuple[str, ...]


def correct_monitor(inputs: RoomInputs, row: Monitor, level: str) -> Corrected:
    """Return the correction of one monitor.

    Args:
        inputs: Of its room.
        row: Its row of the inventory.
        level: ``curves`` or ``table``.

    Raises:
        InputError: It was not measured, or its native panel was not.
    """
    native = inputs.choices[inputs.monitors.index(row)][1]
    session = _native_session(native, row)
    room = match_inputs(inputs)
    match = room.monitors[inputs.monitors.index(row)]
    detail, target, now = match.detail, match.target, match.difference
    if detail is None or target is None or now is None:
        what = f"monitor {row.id} has no calibrated session that counts"
        raise InputError(Problem(what, "measure it as it is used, so that its target can be told"))
    corrected, _ = Meters(dict(inputs.facility.instruments), inputs.corrections).corrected(session, row.panel)
    goal = goal_of(detail, target)
    with one_thread():
        panel = turned_down(fit_response(corrected), goal.backlight)
        correction = _correction(level, panel, goal, inputs, detail)
        shown = panel.forward(correction.apply(detail.signal))
        differences = ciede2000(detail.wanted_xyz, shown, detail.reference_white)
        expected = score(CIEDE2000, differences, detail.labels)
    files = (match.session, session.file, room.projector.session)
    sessions = {file: inputs.files[file] for file in files if file is not None}
    provenance = Provenance(
        facility=inputs.facility.name,
        room=inputs.room.id,
        monitor=row.id,
        level=level,
        matchlib=__version__,
        preset=row.preset,
        sessions=sessions,
        target=_figures(level, target, goal, room.projector.id, expected),
    )
    return Corrected(correction, provenance, now, expected, _warnings(match, native, goal, now, expected))


def _correction(level: str, panel: Response, goal: Goal, inputs: RoomInputs, detail: Detail) -> Curves | Table:
    if level == "curves":
        return curves_correction(panel, goal.matrix, goal.black_xyz, goal.tone)
    follow = Followed(inputs, detail.session.encoding)
    return table_correction(panel, follow.xyz, detail.reference_white, shape=Shape(followed=follow.tones))


def _native_session(choice: Choice, row: Monitor) -> Session:
    if choice.session is not None:
        return choice.session
    reasons = "; ".join(f"{file}: {reason}" for file, reason in choice.passed_over)
    what = f"no native session of monitor {row.id} counts" + (f" ({reasons})" if reasons else "")
    do = "a correction drives the native panel: measure it with its own colour processing off, mode: native"
    raise InputError(Problem(what, do))


def goal_of(detail: Detail, target: Target) -> Goal:
    """Return the target of a monitor as what curves make its panel show.

    Where the target is the monitor as it is, its own black and tone stand; else the panel's black, as far as
    the backlight is turned down.
    """
    as_it_is = np.array_equal(detail.after_xyz, detail.now_xyz)
    tone = detail.response.tone if target.tone == "curve" or target.gamma is None else target.gamma
    if as_it_is:
        return Goal(detail.target_primaries_xyz, detail.response.black_xyz, tone)
    panel_black = detail.panel.black_xyz
    backlight = float(target.black / panel_black[1]) if panel_black[1] > 0 else 1.0
    if backlight > 1 - _ROUNDED:
        backlight = 1.0
    return Goal(detail.target_primaries_xyz, backlight * panel_black, tone, backlight)


def turned_down(panel: Response, backlight: float) -> Response:
    """Return the panel with its backlight at a share of full: all its light falls alike."""
    if backlight == 1.0:
        return panel
    return replace(
        panel,
        black_xyz=read_only(backlight * panel.black_xyz),
        matrix=read_only(backlight * panel.matrix),
        white_xyz=read_only(backlight * panel.white_xyz),
        primaries_xyz=read_only(backlight * panel.primaries_xyz),
    )


class Followed:
    """What a monitor should show for its own signals.

    Args:
        inputs: Of the room: projector, match mode.
        encoding: Of the monitor's signals.
    """

    def __init__(self, inputs: RoomInputs, encoding: Encoding) -> None:
        session = inputs.projector_choice.session
        if session is None:
            raise InputError(inputs.projector_choice.problems)
        response = fit_response(session)
        if inputs.room.reference != "measured":
            response = nominal_response(inputs.projector.encoding, response.black_xyz)
        self._response, self._mode = response, inputs.room.match
        self._from, self._to = encoding, session.encoding

    @property
    def tones(self) -> Tones | None:
        """Its tones where the monitor's signals are its own, None where they are converted."""
        return self._response.tone if self._from == self._to else None

    def xyz(self, signal: Array) -> Array:
        """Return the XYZ wanted in cd/m², shape (n, 3), for the monitor's signals, shape (n, 3)."""
        shown = self._response.forward(projector_signal(signal, self._from, self._to))
        return wanted(self._mode, shown, self._response.white_xyz).xyz


def projector_signal(signal: Array, monitor: Encoding, projector: Encoding) -> Array:
    """Return the projector's signals for a monitor's: the way back of ``convert_signal``.

    White stays white; colours that the projector's primaries do not hold are clipped.
    """
    if monitor == projector:
        return signal
    light = signal_to_linear(signal, monitor) @ normalised_matrix(monitor, projector.white_xy).T
    linear = light @ np.linalg.inv(normalised_matrix(projector)).T
    linear[np.abs(linear) < 1e-12] = 0.0
    return np.clip(linear_to_signal(linear, projector), 0.0, 1.0)


def _figures(level: str, target: Target, goal: Goal, projector: str, expected: Score) -> Mapping[str, str]:
    said = {"expected mean": f"{expected.mean:.3g} CIEDE2000", "expected worst": f"{expected.worst:.3g} CIEDE2000"}
    if goal.backlight != 1.0:
        said |= {"backlight": f"{goal.backlight:.3g} of full"}
    if level == "table":
        return {"follows": f"projector {projector}"} | said
    names = ("white", "red", "green", "blue")
    pairs = (target.white_xy, target.red_xy, target.green_xy, target.blue_xy)
    chromaticities = {name: f"x {x:.4f}, y {y:.4f}" for name, (x, y) in zip(names, pairs, strict=True)}
    tone = {"gamma": f"{target.gamma:.3f}"} if isinstance(goal.tone, float) else {"tone": "the monitor's own curve"}
    luminance = {"luminance": f"{target.luminance:.4g} cd/m²", "black": f"{target.black:.3g} cd/m²"}
    return luminance | chromaticities | tone | said


def _warnings(match: MonitorMatch, native: Choice, goal: Goal, now: Score, expected: Score) -> tuple[str, ...]:
    found = [*match.warnings, *map(str, native.warnings)]
    if goal.backlight != 1.0:
        found.append(f"the correction supposes the backlight at {goal.backlight:.3g} of full; set it so first")
    if expected.mean > now.mean:
        found.append(
            f"mean CIEDE2000 is {now.mean:.2f} now and {expected.mean:.2f} through this correction: do not load it"
        )
    return tuple(dict.fromkeys(found))
