"""The check of an instrument told: a few sentences, and tables to look at in a notebook."""

from typing import TYPE_CHECKING

import numpy as np

from matchlib.readings.instrument import TRUSTED_DAYS, Residual, uv_distance
from matchlib.readings.instrument_check import AS_READ, EACH_LEFT_OUT, InstrumentCheck, Use, compare_methods, drift_of
from matchlib.reporting.words import join

if TYPE_CHECKING:
    import pandas as pd


def residual_words(found: Residual) -> str:
    """Return a residual in words."""
    return f"{found.uv:.4f} u′v′ and {100 * found.luminance:.1f} % of luminance"


def correction_words(check: InstrumentCheck) -> str:
    """Return what the newest correction does, over the patches that it was not made from."""
    pair = check.newest
    methods = compare_methods(pair)
    before, after = methods[AS_READ], methods.get(pair.correction.method, methods[EACH_LEFT_OUT])
    return (
        f"{check.instrument.id} on the panel {check.panel!r}, against {check.reference.id} on {pair.display}, "
        f"{pair.correction.made.isoformat()}: over {len(pair.tested)} patches it is off by "
        f"{residual_words(before)} (root mean square); corrected ({pair.correction.method}), by "
        f"{residual_words(after)}. {check.reference.id} itself states ± {check.reference.xy:g} in x and y, "
        f"± {100 * check.reference.luminance:g} % of luminance."
    )


def trust_words(check: InstrumentCheck) -> str:
    """Return how long corrections of this instrument have held, and what the trade asks."""
    told = [
        f"The correction of {drift.made.isoformat()}, used {drift.days} days later, leaves "
        f"{residual_words(drift.after)}."
        for drift in drift_of(check)
    ] or ["One pair tells nothing of drift: read the same two instruments again in some months."]
    return " ".join([*told, f"Make it anew after {TRUSTED_DAYS} days at most (common practice, no source)."])


def use_words(check: InstrumentCheck) -> str:
    """Return on which kind of panel the correction holds, and where it must not be used."""
    others = sorted({use.panel for use in check.uses if use.age is None})
    told = f"It holds for the panel {check.panel!r} and for no other kind: another light needs a pair of its own."
    return told + (f" {check.instrument.id} has also read: {join(others)}; uncorrected." if others else "")


def methods_table(check: InstrumentCheck) -> "pd.DataFrame":
    """Return what each method leaves on the newest pair: root mean square of Δu′v′, and of luminance in %."""
    import pandas as pd

    methods = compare_methods(check.newest)
    rows = [[round(found.uv, 5), round(100 * found.luminance, 3)] for found in methods.values()]
    return pd.DataFrame(rows, columns=["Δu′v′", "luminance, %"], index=pd.Index(methods, name="method"))


def pair_table(check: InstrumentCheck, most: int = 12) -> "pd.DataFrame":
    """Return the patches of the newest pair that were misread most: Y in cd/m², Δu′v′, luminance error in %."""
    import pandas as pd

    pair = check.newest
    reference, read, corrected = pair.patches.reference, pair.patches.read, pair.corrected
    off = uv_distance(read, reference)
    places = pair.tested.astype(int)
    places = places[np.argsort(-off[places], kind="stable")][:most]
    return pd.DataFrame(
        {
            "reference Y": reference[places, 1].round(2),
            "Δu′v′ as read": off[places].round(4),
            "Δu′v′ corrected": uv_distance(corrected, reference)[places].round(4),
            "luminance as read, %": (100 * (read[places, 1] / reference[places, 1] - 1)).round(2),
            "luminance corrected, %": (100 * (corrected[places, 1] / reference[places, 1] - 1)).round(2),
        },
        index=pd.Index([pair.patches.labels[place] for place in places.tolist()], name="patch"),
    )


def drift_table(check: InstrumentCheck) -> "pd.DataFrame":
    """Return each correction: its day, its age at the newest, what it leaves on the newest pair's readings."""
    import pandas as pd

    newest, methods = check.newest.correction, compare_methods(check.newest)
    own = methods.get(newest.method, methods[EACH_LEFT_OUT])
    rows = [(drift.made, drift.days, drift.after) for drift in drift_of(check)] + [(newest.made, 0, own)]
    cells = [[days, round(left.uv, 5), round(100 * left.luminance, 3)] for _, days, left in rows]
    names = pd.Index([made.isoformat() for made, _, _ in rows], name="made")
    return pd.DataFrame(cells, columns=["days before the newest", "Δu′v′", "luminance, %"], index=names)


def uses_table(check: InstrumentCheck) -> "pd.DataFrame":
    """Return the monitors that the instrument read: panel, session, age of the correction in days, what of it."""
    import pandas as pd

    rows = [[use.panel, use.session, "" if use.age is None else str(use.age), _use_words(use)] for use in check.uses]
    names = pd.Index([use.monitor for use in check.uses], name="monitor")
    return pd.DataFrame(rows, columns=["panel", "session", "age, days", "correction"], index=names)


def _use_words(use: Use) -> str:
    if use.age is None:
        return "not used: another kind of panel"
    return "used" if use.trusted else "used, but make it anew"
