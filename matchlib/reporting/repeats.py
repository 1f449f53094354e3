"""How often dark patches should be read, in words."""

import numpy as np

from matchlib.matching.errors_of_readings import noise_of
from matchlib.matching.result import MonitorMatch, RoomMatch
from matchlib.readings.instrument_noise import repeats_needed
from matchlib.readings.session_drift import drift_of

WANTED = 0.05  # of a patch's light, expanded (k = 2): about half a unit of L* in the darks. No source
_DARK = 0.05  # of the peak
_MOST = 5  # patches named


def repeats_advice(room: RoomMatch, monitor: MonitorMatch) -> str:
    """Return which dark patches of a monitor need more readings to be known to 5 % of their light, and how many."""
    detail, instrument = monitor.detail, (room.instruments or {}).get(monitor.instrument or "")
    if detail is None or instrument is None:
        return ""
    noise = noise_of(detail.session, instrument, drift_of(detail.session))
    patches = detail.patches
    light = patches.xyz[:, 1]
    dark = np.flatnonzero((light > 0) & (light < _DARK * light.max()))
    needed = {int(place): repeats_needed(noise, float(light[place]), WANTED) for place in dark}
    short = sorted(
        (place for place in needed if needed[place] > patches.count[place]), key=lambda place: light[place]
    )
    begin = f"Repeats: to know each dark patch to {100 * WANTED:.0f} % of its light (k = 2) with {instrument.id}, "
    if not short:
        return f"{begin}the {len(dark)} dark patches were read often enough."
    told = [
        f"{(patches.labels[place] or ('a patch',))[0]} {needed[place]} times, not {int(patches.count[place])}"
        for place in short[:_MOST]
    ]
    more = f"; and {len(short) - _MOST} more patches, fewer times" if len(short) > _MOST else ""
    return f"{begin}read {', '.join(told)}{more}."
