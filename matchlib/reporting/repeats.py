"""How often dark patches should be read, in words."""

from matchlib.matching.dark_repeats import WANTED, dark_repeats
from matchlib.matching.errors_of_readings import noise_of
from matchlib.matching.result import MonitorMatch, RoomMatch
from matchlib.readings.session_drift import drift_of

_MOST = 5  # patches named
_FEW = 20  # readings of one patch that anybody takes; common practice, no source


def repeats_advice(room: RoomMatch, monitor: MonitorMatch) -> str:
    """Return which dark patches of a monitor need more readings to be known to 5 % of their light, and how many."""
    detail, instrument = monitor.detail, (room.instruments or {}).get(monitor.instrument or "")
    if detail is None or instrument is None:
        return ""
    noise = noise_of(detail.session, instrument, drift_of(detail.session))
    patches = detail.patches
    dark = dark_repeats(patches.labels, patches.xyz[:, 1], noise)
    short = [patch for patch in dark if patch.needed > patches.count[patch.place]]
    begin = f"Repeats: to know each dark patch to {100 * WANTED:.0f} % of its light (k = 2) with {instrument.id}, "
    if not short:
        return f"{begin}the {len(dark)} dark patches were read often enough."
    told = [
        f"{patch.name} {min(patch.needed, _FEW)} times, not {int(patches.count[patch.place])}"
        for patch in short[:_MOST]
    ]
    if any(patch.needed > _FEW for patch in short):
        told.append(f"though {_FEW} readings do not make the darkest known so well")
    more = f"; and {len(short) - _MOST} more patches, fewer times" if len(short) > _MOST else ""
    return f"{begin}read {', '.join(told)}{more}."
