"""The figures by name."""

from collections.abc import Callable
from types import MappingProxyType

from matchlib.errors import InputError, Problem, nearest
from matchlib.matching.result import MonitorMatch, RoomMatch
from matchlib.reporting.drawing import Drawing, Drawings
from matchlib.reporting.plots.causes import causes
from matchlib.reporting.plots.chromaticity import chromaticity
from matchlib.reporting.plots.greys import greys
from matchlib.reporting.plots.overview import overview
from matchlib.reporting.plots.patches import patches
from matchlib.reporting.plots.tone import tone

Figure = Callable[[RoomMatch, MonitorMatch], Drawing]
_OF_A_MONITOR = MappingProxyType(
    {"chromaticity": chromaticity, "tone": tone, "patches": patches, "greys": greys, "causes": causes}
)
FIGURES = ("overview", *_OF_A_MONITOR)


def draw(room: RoomMatch, name: str, monitor: str = "") -> Drawings:
    """Return a figure: of the room, or one a measured monitor.

    Args:
        room: As :func:`matchlib.match_room` returned it.
        name: One of ``matchlib.FIGURES``.
        monitor: Only this monitor's; empty: every measured one's.

    Raises:
        InputError: No such figure, or no such monitor with a session that counts.
    """
    if name == "overview":
        return Drawings((overview(room),))
    if name not in _OF_A_MONITOR:
        raise InputError(Problem(f"no figure {name!r}", nearest(name, FIGURES)))
    measured = [entry for entry in room.monitors if entry.detail is not None]
    chosen = [entry for entry in measured if monitor in ("", entry.monitor)]
    if monitor and not chosen:
        known = [entry.monitor for entry in measured]
        raise InputError(Problem(f"no measured monitor {monitor!r} in room {room.room}", nearest(monitor, known)))
    return Drawings(_OF_A_MONITOR[name](room, entry) for entry in chosen)
