"""Results in plain English: the only place where numbers become sentences."""

import math
from collections.abc import Iterable, Mapping, Sequence

from matchlib.facility.rooms import ADJUSTABLE
from matchlib.matching.result import Check, Figures, MonitorMatch, RoomMatch, Target
from matchlib.matching.settings import WORTH_SETTING
from matchlib.matching.spread import RoomSpread
from matchlib.matching.tolerances import INFORMATIVE
from matchlib.matching.verdict import uv_of, white_distance
from matchlib.perception.difference import Score
from matchlib.readings.checks.finding import Finding
from matchlib.reporting.outlook import box_worth_having, previous_words

# Common practice, no source: about 1 is the least that trained eyes see side by side.
SIZES = (
    (1.0, "alike", "nobody will see a difference"),
    (2.0, "close", "seen only side by side, by trained eyes"),
    (4.0, "visible", "seen side by side"),
    (8.0, "plain", "seen from memory, walking from room to room"),
    (math.inf, "another picture", "nobody takes it for the same one"),
)
# Hue directions around white in u′v′: angles from white D65 to the primaries and secondaries of BT.709.
_HUES = (
    (12.0, "red"),
    (86.0, "yellow"),
    (128.0, "green"),
    (196.0, "cyan"),
    (266.0, "blue"),
    (308.0, "magenta"),
)
RESULTS = {
    "match": "matches",
    "no match": "does not match",
    "undecided": "undecided",
    "not measured": "not measured",
}


_CAUSES = {
    "white": "the white",
    "luminance": "the luminance",
    "tone": "the tone",
    "primaries": "the primaries",
    "black": "the black",
    "remainder": "what no single cause explains",
}
_TOLD = 0.05  # CIEDE2000: a smaller share is 0.0 in print
_LARGE, _HIDING = 1 / 4, 1 / 20  # of the mean: from here on a cause is named; below zero, what it hides is

SEVERITIES = {"refuse": "refused", "warn": "warning", "note": "note"}


def finding(found: Finding) -> str:
    """Return what a check found, its name before it."""
    return f"{found.check}: {found.evidence}"


def size_word(mean: float) -> str:
    """Return one or two words for a mean CIEDE2000."""
    return next(word for limit, word, _ in SIZES if mean < limit)


def size_sentence(mean: float) -> str:
    """Return in a few words what a viewer would say of a mean CIEDE2000."""
    return next(sentence for limit, _, sentence in SIZES if mean < limit)


def tint(xy: tuple[float, float], wanted: tuple[float, float]) -> str:
    """Return the hue in whose direction a white lies from the wanted one."""
    (u, v), (u0, v0) = uv_of(xy), uv_of(wanted)
    return hue(u - u0, v - v0)


def hue(step_u: float, step_v: float) -> str:
    """Return the hue in whose direction a step of u′, v′ goes."""
    angle = math.degrees(math.atan2(step_v, step_u)) % 360
    return min(_HUES, key=lambda hue: min(abs(angle - hue[0]), 360 - abs(angle - hue[0])))[1]


def name_of(monitor: MonitorMatch) -> str:
    """Return a monitor's name, with its preset where it has one."""
    return f"{monitor.monitor} · {monitor.preset}" if monitor.preset else monitor.monitor


def faults(monitor: MonitorMatch) -> list[str]:
    """Return what is wrong with a monitor, the worst first: ``white too blue``, ``too dim``."""
    figures, ideal = monitor.response, monitor.ideal
    if figures is None or ideal is None:
        return []
    found = []
    for check in monitor.verdict.checks:
        if check.result == "fail" and check.value is not None:
            phrase = _phrase(check.name, figures, ideal)
            if phrase:
                found.append((check.value / check.limit, phrase))
    found.sort(key=lambda entry: -entry[0])
    phrases = [phrase for _, phrase in found]
    if not phrases and monitor.verdict.result == "no match":
        phrases = [_remaining_fault(monitor, figures, ideal)]
    return phrases


def _phrase(name: str, figures: Figures, ideal: Target) -> str:
    if name == "white":
        return f"white too {tint(figures.white_xy, ideal.white_xy)}"
    if name == "luminance":
        return "too bright" if figures.luminance > ideal.luminance else "too dim"
    if name == "gamma" and figures.gamma is not None and ideal.gamma is not None:
        return "shadows too light" if figures.gamma < ideal.gamma else "shadows too dark"
    return ""


def _remaining_fault(monitor: MonitorMatch, figures: Figures, ideal: Target) -> str:
    """Return what fails where white, peak and gamma are right: black, or a primary."""
    colours = [
        (white_distance(getattr(figures, f"{name}_xy"), getattr(ideal, f"{name}_xy")), name)
        for name in ("red", "green", "blue")
    ]
    distance, name = max(colours)
    if distance > 0.01:
        return f"{name} off by {distance:.3f} u′v′"
    if any(limit.startswith("black") for limit in monitor.limits):
        return "black too light"
    return "colours differ"


def next_step(monitor: MonitorMatch, how: str = "as the sheet says") -> str:
    """Return what happens next with a monitor; ``how``: where it is set, where its numbers stand."""
    if monitor.difference is None or monitor.set_to is None:
        return "measure it"
    after = monitor.set_to.expected.mean
    if monitor.verdict.result == "match":
        return "nothing: leave it as it is"
    if monitor.verdict.result == "undecided" and monitor.deciding:
        instead = f"; or set it {how} and read it again ({after:.1f} expected)"
        return monitor.deciding + (instead if monitor.adjust else "")
    text = _setting(monitor, monitor.difference, monitor.set_to, how) if monitor.adjust else leave_it(monitor)
    box = box_worth_having(monitor)
    return f"{text}; {box}" if box else text


def leave_it(monitor: MonitorMatch) -> str:
    """Return why a monitor is left as it is though it does not match."""
    gain = monitor.gain
    if gain is not None and 0 < gain.mean < gain.uncertainty:
        told = f"{gain.mean:.2f} ± {gain.uncertainty:.2f}"
        return f"leave it: the best setting gains {told}, less than the readings can tell"
    if monitor.set_to is not None and monitor.set_to is not monitor.target:
        return f"leave it: the room's one target would not make it better ({monitor.set_to.expected.mean:.1f})"
    return "leave it: no setting makes it better"


def _setting(monitor: MonitorMatch, now: Score, target: Target, how: str) -> str:
    """Return what setting a monitor will give."""
    after = target.expected.mean
    if will_match(monitor):
        return f"set it {how}; it should then match ({after:.1f})"
    text = f"set it {how}; {after:.1f} will remain, for {why_it_remains(monitor)}"
    before, then = now.p95, target.expected.p95
    return f"{text}; its worst colours get worse ({before:.1f} to {then:.1f})" if then > before else text


def not_taken(monitor: MonitorMatch) -> list[str]:
    """Return what a monitor's menu does not take."""
    return [] if monitor.row is None else [word for word in ADJUSTABLE if word not in monitor.row.adjusts]


def why_it_remains(monitor: MonitorMatch) -> str:
    """Return why the sheet's setting leaves a difference: the panel, or the target that the room shares."""
    shared, own = monitor.set_to, monitor.target
    if shared is None or own is None or shared is own or shared.expected.mean - own.expected.mean < WORTH_SETTING:
        return "the panel cannot do better"
    return f"the room shares one target (its own best: {own.expected.mean:.1f})"


def will_match(monitor: MonitorMatch) -> bool:
    """Return whether the target, once set, is expected to keep every limit."""
    limits = {check.name: check.limit for check in monitor.verdict.checks}
    target, ideal = monitor.set_to, monitor.ideal
    if target is None or ideal is None:
        return False
    if target.gamma is not None and ideal.gamma is not None and abs(target.gamma - ideal.gamma) > limits["gamma"]:
        return False
    return (
        target.expected.mean <= limits["mean_difference"]
        and target.expected.p95 <= limits["p95_difference"]
        and white_distance(target.white_xy, ideal.white_xy) <= limits["white"]
        and abs(target.luminance / ideal.luminance - 1) <= limits["luminance"]
    )


def answer(room: RoomMatch) -> str:
    """Return the room's answer in a few words: ``2 of 3 monitors match the screen``."""
    results = [monitor.verdict.result for monitor in room.monitors]
    matching, total = results.count("match"), len(results)
    if matching == total:
        return "the monitor matches the screen" if total == 1 else f"all {total} monitors match the screen"
    if total == 1:
        return {
            "no match": "the monitor does not match the screen",
            "undecided": "it cannot be decided whether the monitor matches the screen",
            "not measured": "the monitor was not measured",
        }[results[0]]
    count = "none" if matching == 0 else str(matching)
    unsure = results.count("undecided")
    more = f", {unsure} undecided" if unsure else ""
    return f"{count} of {total} monitors {'matches' if matching == 1 else 'match'} the screen{more}"


def room_line(room: RoomMatch) -> str:
    """Return the one line of a room on the command line, without its path."""
    results = [monitor.verdict.result for monitor in room.monitors]
    parts = [f"{results.count('match')} of {len(results)} match"]
    for monitor in room.monitors:
        if monitor.verdict.result == "not measured":
            parts.append(f"{name_of(monitor)}: not measured")
        elif monitor.verdict.result != "match" and monitor.difference and monitor.set_to:
            unsure = monitor.verdict.result == "undecided"
            what = "undecided" if unsure else (faults(monitor) or ["differs"])[0]
            now, after = monitor.difference.mean, monitor.set_to.expected.mean
            parts.append(f"{name_of(monitor)}: {what}, {now:.1f} now, {after:.1f} after")
    return " · ".join(parts)


def summary(monitor: MonitorMatch) -> str:
    """Return a sentence or two on a monitor for its own page."""
    if monitor.difference is None or monitor.set_to is None:
        return "This monitor has no session that counts. Until it is measured nothing can be said of it."
    now = monitor.difference
    text = (
        f"Against the screen it differs by {now.mean:.2f}{plus_minus(now.u_mean)} on average "
        f"({size_sentence(now.mean)}) and by {now.worst:.1f} at worst, in {now.worst_patch}."
    )
    from_what = main_causes(monitor)
    if from_what:
        text += f" Where it comes from: {from_what}."
    wrong = faults(monitor)
    if wrong:
        text += f" What is wrong: {join(wrong)}."
    unsure = undecided_checks(monitor)
    if monitor.verdict.result == "undecided" and unsure:
        text += f" Too near its limit to be decided: {join(unsure)}."
    text += f" Next: {next_step(monitor)}."
    before = previous_words(monitor)
    return f"{text} {sentence(before)}" if before else text


def sentence(text: str) -> str:
    """Return words as a sentence, with a capital and a full stop."""
    return f"{text[0].upper()}{text[1:]}." if text else ""


def main_causes(monitor: MonitorMatch) -> str:
    """Return what most of a mean difference comes from: ``most of it is the white: 1.8 of 2.6``.

    Empty where the causes are not known. Causes of a quarter of the mean and more are named, and shares
    below zero, which hide part of another.
    """
    if monitor.causes is None or monitor.difference is None:
        return ""
    mean = monitor.difference.mean
    shares = {entry["cause"]: float(entry["share"]) for entry in monitor.causes}
    return "; ".join([_largest(shares, mean), *_hidden(shares, mean)])


def _largest(shares: Mapping[str, float], mean: float) -> str:
    large = [(share, cause) for cause, share in shares.items() if share >= max(_TOLD, _LARGE * mean)]
    if not large:
        return "nothing stands out"
    large.sort(key=lambda entry: -entry[0])
    share, cause = large[0]
    if share >= mean + _TOLD:
        return f"{_CAUSES[cause]} {_verb(cause, 'make')} {share:.1f}, part of it hidden, so that {mean:.1f} is left"
    if share >= mean * (1 / 2 if len(large) == 1 else 2 / 3):
        return f"most of it is {_CAUSES[cause]}: {share:.1f} of {mean:.1f}"
    if len(large) == 1:
        return f"the largest part is {_CAUSES[cause]}: {share:.1f} of {mean:.1f}"
    return f"{join([f'{_CAUSES[cause]} ({share:.1f})' for share, cause in large])} of {mean:.1f}"


def _hidden(shares: Mapping[str, float], mean: float) -> list[str]:
    """Return what each share below zero hides; by name where there is but one that it can hide."""
    seen = [cause for cause, share in shares.items() if share >= _TOLD and cause != "remainder"]
    what = _CAUSES[seen[0]] if len(seen) == 1 else "the others"
    return [
        f"{_CAUSES[cause]} {_verb(cause, 'hide')} part of {what} (\u2212{-share:.1f})"
        for cause, share in shares.items()
        if share <= -max(_TOLD, _HIDING * mean) and cause != "remainder"
    ]


def _verb(cause: str, plural: str) -> str:
    return plural if cause == "primaries" else f"{plural}s"


def most_unlike(names: Sequence[str], found: RoomSpread) -> str:
    """Return which monitors differ most: ``the two that differ most are A2 and P3: 3.1 now, 0.8 after``.

    Args:
        names: Of all monitors of the room, in its order.
        found: How far the measured ones are from each other.
    """
    two = found.now.worst_pair
    after = float(found.after.pairs[two])
    pair, change = _two(names, found, two), f"{found.now.worst:.1f} now, {after:.1f} after"
    if len(found.places) == 2:
        return f"{pair} differ by {change}"
    text = f"the two that differ most are {pair}: {change}"
    then = found.after.worst
    if then < after + _TOLD:
        return text
    return f"{text}; after that {_two(names, found, found.after.worst_pair)} differ most: {then:.1f}"


def _two(names: Sequence[str], found: RoomSpread, pair: tuple[int, int]) -> str:
    return join([names[found.places[place]] for place in pair])


def undecided_checks(monitor: MonitorMatch) -> list[str]:
    """Return what is too near its limit to be decided: ``white 0.0023 ± 0.0036 (limit 0.003)``."""
    return [
        f"{check_words(check.name)} {check.value:.2g} ± {check.uncertainty:.2g} (limit {check.limit:g})"
        for check in monitor.verdict.checks
        if check.result == "undecided" and check.value is not None and check.uncertainty is not None
    ]


def outside(checks: Iterable[Check]) -> list[str]:
    """Return what of a display is outside its own standard: ``gamma``, ``white x``; advice does not count."""
    return [
        check.name
        for check in checks
        if check.result == "fail" and "the standard's own" not in check.name and INFORMATIVE not in check.source
    ]


def join(parts: list[str]) -> str:
    """Return words as a list in English: ``a, b and c``."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def plus_minus(standard: float | None) -> str:
    """Return an expanded uncertainty (k = 2) to stand after a figure."""
    return "" if standard is None else f" ± {2 * standard:.2f}"


def check_words(name: str) -> str:
    """Return what a check looks at."""
    return {
        "mean_difference": "mean difference",
        "p95_difference": "95 % of colours within",
        "white": "white",
        "luminance": "peak luminance",
        "gamma": "gamma",
    }.get(name, name)


def clean(text: str) -> str:
    """Return text with private-use and control characters as U+FFFD: no font has them."""
    import unicodedata

    return "".join("\ufffd" if unicodedata.category(char) in ("Co", "Cc", "Cs", "Cn") else char for char in text)
