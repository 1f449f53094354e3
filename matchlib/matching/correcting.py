"""The correction of one monitor of a room: from its native session and what it should show."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from matchlib import __version__
from matchlib.arrays import Array, one_thread, read_only
from matchlib.displays.clf import Provenance
from matchlib.displays.correction import Curves, Table
from matchlib.displays.response import Response
from matchlib.encoding import Encoding, linear_to_signal, normalised_matrix, signal_to_linear
from matchlib.errors import InputError, Problem
from matchlib.facility.rooms import Monitor
from matchlib.matching.corrections import Shape, Tone, curves_correction, table_correction
from matchlib.matching.fitting import fit_display
from matchlib.matching.inputs import RoomInputs
from matchlib.matching.limits import chromaticity
from matchlib.matching.monitor import match_monitor
from matchlib.matching.reference import Judge, judge_of
from matchlib.matching.result import MonitorMatch
from matchlib.matching.solving import Solved, solve_monitors
from matchlib.matching.space import Search, lifted_root
from matchlib.matching.veil import room_veil, under_veil
from matchlib.perception.difference import Score
from matchlib.perception.viewing import wanted
from matchlib.readings.choice import Choice
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Session


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
    """Return the correction of one monitor, at its best of that level.

    Args:
        inputs: Of its room.
        row: Its row of the inventory.
        level: ``curves`` or ``table``.

    Raises:
        InputError: It was not measured, or its native panel was not.
    """
    place = inputs.monitors.index(row)
    native = inputs.choices[place][1]
    session = _native_session(native, row)
    followed = inputs.projector_choice.session
    if followed is None:
        raise InputError(inputs.projector_choice.problems)
    meters = Meters(inputs.facility.instruments, inputs.corrections)
    with one_thread():
        judge = judge_of(inputs, followed, fit_display(followed), meters)
        solved = solve_monitors(judge, [row], [inputs.choices[place]])[0]
        if solved is None:
            what = f"monitor {row.id} has no calibrated session that counts"
            raise InputError(Problem(what, "measure it as it is used, so that its target can be told"))
        panel = _panel(meters.corrected(session, row.panel)[0], solved)
        correction = _correction(level, panel, judge, solved)
        compared = solved.compared
        shown = compared.veil.seen + panel.forward(correction.apply(compared.signal))
        expected = compared.score_of(shown)
        said = match_monitor(judge, solved)
    files = (said.session, session.file, followed.file)
    provenance = Provenance(
        facility=inputs.facility.name,
        room=inputs.room.id,
        monitor=row.id,
        level=level,
        matchlib=__version__,
        preset=row.preset,
        sessions={file: inputs.files[file] for file in files if file is not None},
        target=_figures(level, solved, inputs.projector.id, expected),
    )
    warnings = _warnings(said, native, solved, expected)
    return Corrected(correction, provenance, compared.now, expected, warnings)


def _panel(native: Session, solved: Solved) -> Response:
    """Return the native panel as its correction drives it: backlight turned down, room light left out."""
    panel = fit_display(native)
    read = room_veil(solved.compared.room, native).read
    return turned_down(under_veil(panel, -read), solved.curves.settings.backlight)


def _correction(level: str, panel: Response, judge: Judge, solved: Solved) -> Curves | Table:
    compared, settings = solved.compared, solved.curves.settings
    if level == "curves":
        return curves_correction(panel, settings.primaries_xyz, panel.black_xyz, _tones(solved))
    reference = judge.reference
    same = compared.encoding == reference.encoding

    def wanted_of(signal: Array) -> Array:
        shown = reference.response.forward(projector_signal(signal, compared.encoding, reference.encoding))
        return wanted(reference.wanted.viewing, shown, reference.response.white_xyz).xyz

    shape = Shape(followed=reference.response.tone if same else None)
    return table_correction(under_veil(panel, compared.veil.seen), wanted_of, compared.wanted.white, shape=shape)


def _tones(solved: Solved) -> tuple[Tone, Tone, Tone]:
    """Return each channel's curve from the signal to linear light."""
    space, settings = Search(solved.curves.task), solved.curves.settings
    lift = settings.lift
    if lift is None or not lift.any():
        return (settings.gamma,) * 3

    def tone(channel: int) -> Tone:
        def linear(signal: Array) -> Array:
            root = space.root_of(signal, channel)
            return np.asarray(lifted_root(signal, root, lift[channel]) ** settings.gamma)

        return linear

    return tone(0), tone(1), tone(2)


def _native_session(choice: Choice, row: Monitor) -> Session:
    if choice.session is not None:
        return choice.session
    reasons = "; ".join(f"{file}: {reason}" for file, reason in choice.passed_over)
    what = f"no native session of monitor {row.id} counts" + (f" ({reasons})" if reasons else "")
    do = "a correction drives the native panel: measure it with its own colour processing off, mode: native"
    raise InputError(Problem(what, do))


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


def _figures(level: str, solved: Solved, projector: str, expected: Score) -> Mapping[str, str]:
    """Return what the file says of its target."""
    settings, compared = solved.curves.settings, solved.compared
    said = {"expected mean": f"{expected.mean:.3g} CIEDE2000", "expected worst": f"{expected.worst:.3g} CIEDE2000"}
    if settings.backlight < 1.0:
        said |= {"backlight": f"{settings.backlight:.3g} of full"}
    if level == "table":
        return {"follows": f"projector {projector}"} | said
    lights = (settings.white_xyz, *settings.primaries_xyz.T)
    pairs = [chromaticity(light) for light in lights]
    names = ("white", "red", "green", "blue")
    chromaticities = {name: f"x {x:.4f}, y {y:.4f}" for name, (x, y) in zip(names, pairs, strict=True)}
    black = settings.backlight * compared.panel.black_xyz[1]
    luminance = {"luminance": f"{settings.white_xyz[1]:.4g} cd/m²", "black": f"{black:.3g} cd/m²"}
    return luminance | chromaticities | {"tone": "a curve for each channel"} | said


def _warnings(match: MonitorMatch, native: Choice, solved: Solved, expected: Score) -> tuple[str, ...]:
    found = [*match.warnings, *map(str, native.warnings)]
    backlight, now = solved.curves.settings.backlight, solved.compared.now
    if backlight < 1.0:
        found.append(f"the correction supposes the backlight at {backlight:.3g} of full; set it so first")
    if expected.mean > now.mean:
        found.append(
            f"mean CIEDE2000 is {now.mean:.2f} now and {expected.mean:.2f} through this correction: do not load it"
        )
    return tuple(dict.fromkeys(found))
