"""From a facility folder to the difference between a monitor and its screen.

room = matchlib.match_room("data", "attic")
room.monitors[0].difference.mean
figures = [matchlib.draw(room, name) for name in matchlib.FIGURES]
matchlib.write_report(room, [drawing for drawn in figures for drawing in drawn], "out")
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
if TYPE_CHECKING:
    from matchlib.errors import InputError, MatchlibError, ReportError
    from matchlib.facility.file import read_facility
    from matchlib.matching.result import RoomMatch
    from matchlib.matching.room import match_room
    from matchlib.reporting.pdf import write_report
    from matchlib.reporting.plots.catalogue import FIGURES, draw
    from matchlib.reporting.tables import checks_table, patches_table, settings_table

_HOME = {
    "errors": ("InputError", "MatchlibError", "ReportError"),
    "facility.file": ("read_facility",),
    "matching.result": ("RoomMatch",),
    "matching.room": ("match_room",),
    "reporting.pdf": ("write_report",),
    "reporting.plots.catalogue": ("FIGURES", "draw"),
    "reporting.tables": ("checks_table", "patches_table", "settings_table"),
}
__all__ = [
    "FIGURES",
    "InputError",
    "MatchlibError",
    "ReportError",
    "RoomMatch",
    "checks_table",
    "draw",
    "match_room",
    "patches_table",
    "read_facility",
    "settings_table",
    "write_report",
]


def __getattr__(name: str) -> Any:
    """Return a name of the front door; its module is imported when it is first used."""
    for module, names in _HOME.items():
        if name in names:
            return getattr(import_module(f"matchlib.{module}"), name)
    raise AttributeError(f"module 'matchlib' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
