"""A room's measured monitors, prepared and solved side by side: the best of each level of adjustment."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.displays.reach import Panel, panel_from_limits, panel_from_session
from matchlib.displays.response import Response
from matchlib.displays.scattered import ScatteredResponse
from matchlib.encoding import convert_signal
from matchlib.facility.rooms import Instrument, Monitor, Room
from matchlib.matching.fitting import cross_validated, fit_display, patch_names
from matchlib.matching.ideal import PQ, Ideal, projector_figures, searched_ideal
from matchlib.matching.levels import Curves, Levelled, best_curves_all, best_table
from matchlib.matching.limits import chromaticity
from matchlib.matching.reference import Judge
from matchlib.matching.result import Figures
from matchlib.matching.settings import Compared, Found, best_settings_all
from matchlib.matching.veil import Veil, room_veil, under_veil
from matchlib.perception.difference import CIEDE2000, ciede2000, score
from matchlib.readings.choice import Choice
from matchlib.readings.instrument import Correction, Meters
from matchlib.readings.session import Session, average_repeats


@dataclass(frozen=True, slots=True, eq=False)
class NativeRead:
    """A monitor's native session as it counts, corrected by ``correction`` where there is one, and fitted."""

    session: Session
    correction: Correction | None
    response: Response


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A measured monitor before the searches.

    Attributes:
        choices: Its calibrated and its native choice.
        session: As it counts, corrected by ``correction`` where there is one.
        response: As read.
        native: None where no native session counts.
    """

    monitor: Monitor
    choices: tuple[Choice, Choice]
    session: Session
    correction: Correction | None
    response: Response
    compared: Compared
    native: NativeRead | None


@dataclass(frozen=True, slots=True, eq=False)
class MenuSolved:
    """A monitor with the best of its menu."""

    prepared: Prepared
    found: Found

    @property
    def compared(self) -> Compared:
        """What was compared."""
        return self.prepared.compared


@dataclass(frozen=True, slots=True, eq=False)
class Solved(MenuSolved):
    """A monitor with the best of each level."""

    curves: Curves
    table: Levelled


def solve_menus(
    judge: Judge, monitors: Sequence[Monitor], choices: Sequence[tuple[Choice, Choice]]
) -> list[MenuSolved | None]:
    """Return the best of each monitor's menu, searched side by side; None where it was not measured."""
    prepared = [
        _prepare(judge, monitor, both) if both[0].session is not None else None
        for monitor, both in zip(monitors, choices, strict=True)
    ]
    measured = [entry for entry in prepared if entry is not None]
    found = iter(best_settings_all([entry.compared for entry in measured]))
    return [None if entry is None else MenuSolved(entry, next(found)) for entry in prepared]


def solve_monitors(
    judge: Judge, monitors: Sequence[Monitor], choices: Sequence[tuple[Choice, Choice]]
) -> list[Solved | None]:
    """Return the best of each level for each monitor, searched side by side; None where it was not measured."""
    menus = solve_menus(judge, monitors, choices)
    measured = [entry for entry in menus if entry is not None]
    curves = best_curves_all([entry.compared for entry in measured], [entry.found for entry in measured])
    boxes = iter([(own, best_table(entry.compared, own)) for entry, own in zip(measured, curves, strict=True)])
    return [None if entry is None else Solved(entry.prepared, entry.found, *next(boxes)) for entry in menus]


def _prepare(judge: Judge, monitor: Monitor, choices: tuple[Choice, Choice]) -> Prepared:
    reference, room, meters = judge.reference, judge.room, judge.meters
    calibrated, native = choices
    if calibrated.session is None:
        raise ValueError(f"{monitor.id} has no session that counts")
    session, correction = meters.corrected(calibrated.session, monitor.panel)
    response = fit_display(session)
    veil = room_veil(room, session)
    native_read = _native_read(native, monitor, meters)
    panel = _panel(monitor, response, native_read, room, veil)
    signal = convert_signal(reference.patches.signal, reference.encoding, session.encoding)
    ideal = projector_figures(reference.response, reference.encoding, session.encoding, reference.wanted)
    if reference.wanted.viewing.mode == "appearance" and ideal.tone != PQ:
        ideal = searched_ideal(ideal, signal, reference.wanted, veil.seen + _dimmed(monitor, panel, ideal))
    compared = Compared(
        response=under_veil(response, veil.unread),
        figures=figures_of(session, response, meters.instruments[session.header.instrument]),
        panel=panel,
        ideal=ideal,
        signal=signal,
        labels=reference.patches.labels,
        wanted=reference.wanted,
        encoding=session.encoding,
        monitor=monitor,
        room=room,
        veil=veil,
    )
    return Prepared(monitor, choices, session, correction, response, compared, native_read)


def _native_read(native: Choice, monitor: Monitor, meters: Meters) -> NativeRead | None:
    if native.session is None:
        return None
    session, correction = meters.corrected(native.session, monitor.panel)
    return NativeRead(session, correction, fit_display(session))


def _dimmed(monitor: Monitor, panel: Panel, ideal: Ideal) -> Array:
    """Return the panel's black at the backlight that the ideal's white needs, shape (3,)."""
    if monitor.dims != "backlight":
        return panel.black_xyz
    share = float((np.linalg.solve(panel.matrix, ideal.white_xyz)).max())
    return np.asarray(panel.black_xyz * min(max(share, monitor.dims_min), 1.0))


def figures_of(session: Session, response: Response, instrument: Instrument) -> Figures:
    """Return a response in figures, with the error of its fit over the patches as read.

    A model over scattered readings meets those by its making: its error is the cross-validated one.
    """
    patches = average_repeats(session)
    if isinstance(response, ScatteredResponse):
        fit_error, _ = cross_validated(patches, response)
    else:
        errors = ciede2000(patches.xyz, response.forward(patches.signal), response.white_xyz)
        fit_error = score(CIEDE2000, errors, patch_names(patches))
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
        fit_error=fit_error,
    )


def _panel(monitor: Monitor, response: Response, native: NativeRead | None, room: Room, veil: Veil) -> Panel:
    """Return what the panel can show, room light left out: its native session, else native limits, else a guess."""
    if native is not None:
        panel = panel_from_session(native.response, native.session.file)
        return _own_light(panel, room_veil(room, native.session).read)
    if monitor.native is not None:
        return panel_from_limits(monitor.native, response)
    guessed = (
        "no native session and no native limits: the reach is a guess, taken as the calibrated session's own "
        "gamut and peak"
    )
    return _own_light(panel_from_session(response, "the calibrated session", guessed), veil.read)


def _own_light(panel: Panel, read: Array) -> Panel:
    """Return a panel without the room light that its session holds; no black is below zero."""
    return replace(panel, black_xyz=read_only(np.maximum(panel.black_xyz - read, 0.0))) if read.any() else panel
