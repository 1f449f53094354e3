"""Tables to look at in a notebook."""

from typing import TYPE_CHECKING

import numpy as np

from matchlib.errors import InputError, Problem, nearest
from matchlib.matching.result import Figures, MonitorMatch, RoomMatch, Target
from matchlib.perception.difference import Score
from matchlib.reporting import words
from matchlib.reporting.outlook import LEVEL_WORDS
from matchlib.reporting.shared import cost_of

if TYPE_CHECKING:
    import pandas as pd


def find_monitor(room: RoomMatch, name: str) -> MonitorMatch:
    """Return a room's monitor by its name; presets are named ``monitor · preset``.

    Raises:
        InputError: No such monitor, or it was not measured.
    """
    for monitor in room.monitors:
        if name in (monitor.monitor, words.name_of(monitor)):
            if monitor.detail is None:
                raise InputError(Problem(f"{name!r} was not measured", "choose another monitor"))
            return monitor
    known = [words.name_of(monitor) for monitor in room.monitors]
    raise InputError(Problem(f"no monitor {name!r} in room {room.room}", nearest(name, known)))


def settings_table(room: RoomMatch, monitor: str) -> "pd.DataFrame":
    """Return screen, monitor now, target and ideal side by side: cd/m², CIE 1931 x, y, CIEDE2000.

    Where the room shares one target, that stands beside the monitor's own; in the match mode ``appearance`` the
    ideal that keeps the projector's primaries stands beside the ideal.
    """
    import pandas as pd

    found = find_monitor(room, monitor)
    columns: dict[str, Figures | Target | None] = {
        "screen": room.projector.response,
        "now": found.response,
        "target": found.target,
        **({"room's target": found.common_target} if found.follows_room else {}),
        "ideal": found.ideal,
        **({"ideal, primaries kept": found.ideal_keeping} if found.ideal_keeping is not None else {}),
    }
    names = ("luminance", "black", "gamma", "white_xy", "red_xy", "green_xy", "blue_xy")
    table = pd.DataFrame(
        {head: [_cell(getattr(column, name)) for name in names] for head, column in columns.items()},
        index=names,
    )
    expected = {
        "now": found.difference,
        **{k: v.expected for k, v in columns.items() if isinstance(v, Target)},
    }
    for figure in ("mean", "p95", "worst"):
        table.loc[figure] = [_cell(getattr(expected[head], figure)) if expected.get(head) else "" for head in columns]
    return table


def levels_table(room: RoomMatch, monitor: str) -> "pd.DataFrame":
    """Return what each level of adjustment leaves: CIEDE2000 and the standard uncertainty of the mean."""
    import pandas as pd

    levels = find_monitor(room, monitor).levels
    scores = {name: levels[level] for level, name in LEVEL_WORDS.items()}
    rows = [[score.mean, score.u_mean, score.p95, score.worst] if score else [None] * 4 for score in scores.values()]
    return pd.DataFrame(rows, columns=["mean", "u of the mean", "p95", "worst"], index=list(scores)).round(3)


def one_target_table(room: RoomMatch) -> "pd.DataFrame":
    """Return what one target for the room would leave on each monitor, beside its own best; mean CIEDE2000.

    No rows where the room has no common target.
    """
    import pandas as pd

    sharing = [monitor for monitor in room.monitors if monitor.common_target is not None]
    rows = [
        [score.mean if score else None for score in (m.difference, _expected(m.target), _expected(m.common_target))]
        for m in sharing
    ]
    names = pd.Index([words.name_of(monitor) for monitor in sharing], name="monitor")
    table = pd.DataFrame(rows, columns=["now", "own best", "one target"], index=names)
    table["cost"] = [cost_of(monitor) for monitor in sharing]
    return table.round(2)


def _expected(target: Target | None) -> Score | None:
    return None if target is None else target.expected


def _cell(value: object) -> str:
    if value is None:
        return "–"
    if isinstance(value, tuple):
        return " ".join(f"{part:.4f}" for part in value)
    return f"{value:.4g}"


def checks_table(room: RoomMatch, monitor: str) -> "pd.DataFrame":
    """Return the verdict's checks: value, U (k = 2), limit, result."""
    import pandas as pd

    checks = find_monitor(room, monitor).verdict.checks
    rows = [[check.value, check.uncertainty, check.limit, check.unit, check.result] for check in checks]
    names = [words.check_words(check.name) for check in checks]
    return pd.DataFrame(rows, columns=["value", "uncertainty", "limit", "unit", "result"], index=names).round(4)


def patches_table(room: RoomMatch, monitor: str, most: int = 12) -> "pd.DataFrame":
    """Return the patches that differ most now: wanted and shown Y, CIEDE2000 now and with the target."""
    import pandas as pd

    detail = find_monitor(room, monitor).detail
    if detail is None:  # find_monitor refuses this; the type checker cannot know
        return pd.DataFrame()
    worst = np.argsort(-detail.now, kind="stable")[:most]
    return pd.DataFrame(
        {
            "wanted Y": detail.wanted_xyz[worst, 1],
            "shown Y": detail.now_xyz[worst, 1],
            "now": detail.now[worst],
            "with target": detail.after[worst],
        },
        index=[detail.labels[place] for place in worst],
    ).round(2)


def readings_table(room: RoomMatch, monitor: str) -> "pd.DataFrame":
    """Return a monitor's patches as read: signal, XYZ in cd/m², how often, scatter of Y."""
    import pandas as pd

    detail = find_monitor(room, monitor).detail
    if detail is None:
        return pd.DataFrame()
    patches = detail.patches
    table = pd.DataFrame(np.hstack([patches.signal, patches.xyz]), columns=list("rgbXYZ"))
    table["readings"] = patches.count.astype(int)
    table["scatter of Y"] = patches.scatter[:, 1]
    table.index = pd.Index([labels[0] if labels else "" for labels in patches.labels], name="patch")
    return table.round(4)


def fit_table(room: RoomMatch, monitor: str) -> "pd.DataFrame":
    """Return how far the fitted response is from each reading, worst first: Y in cd/m², CIEDE2000.

    A model over scattered readings meets them by its making: of it, what fits say that had not seen the patch.
    """
    import pandas as pd

    from matchlib.displays.scattered import ScatteredResponse
    from matchlib.perception.difference import ciede2000

    detail = find_monitor(room, monitor).detail
    if detail is None:
        return pd.DataFrame()
    response = detail.response
    fitted = response.held_out if isinstance(response, ScatteredResponse) else response.forward(detail.patches.signal)
    error = ciede2000(detail.patches.xyz, fitted, response.white_xyz)
    table = pd.DataFrame(detail.patches.signal, columns=list("rgb"))
    table["read Y"], table["fitted Y"], table["error"] = detail.patches.xyz[:, 1], fitted[:, 1], error
    return table.sort_values("error", ascending=False, kind="stable").round(3)
