"""What page one says under its headline, in plain words in every match mode."""

from matchlib.matching.result import RoomMatch
from matchlib.reporting import words
from matchlib.reporting.outlook import previous_words
from matchlib.reporting.shared import shares


def lead(room: RoomMatch) -> str:
    """Return a few sentences: the screen, how the monitors work, who is open, and what can be done."""
    parts = [_screen(room), _working(room), _room_light(room), _one_target(room), _unsure(room), _hope(room)]
    return " ".join(part for part in parts if part)


def after_visit(room: RoomMatch) -> list[str]:
    """Return a line a monitor on what came of the visit before."""
    told = {words.name_of(monitor): previous_words(monitor) for monitor in room.monitors}
    return [f"{name}: {text}." for name, text in told.items() if text]


def _screen(room: RoomMatch) -> str:
    response = room.projector.response
    wrong = words.outside(room.projector.conformity or ())
    outside = "" if not wrong else f"The screen itself is outside its standard: {words.join(wrong)}. "
    return (
        f"{outside}The screen shows {response.luminance:.1f} cd/m² with white at x {response.white_xy[0]:.4f}, "
        f"y {response.white_xy[1]:.4f}."
    )


def _working(room: RoomMatch) -> str:
    """Return what the monitors should do where they do not show the screen's own light."""
    light = f"The monitors work at {room.luminance:.0f} cd/m²"
    if room.mode == "relative":
        times = room.luminance / room.projector.response.luminance
        return f"{light}: they should show the screen's colours, all of them {times:.2g} times as light."
    if room.mode == "appearance":
        screen = room.projector.row.surround if room.projector.row else ""
        around = f"a {room.surround} room" if room.surround != "average" else "a room of average light"
        of_screen = f", the screen in {'the dark' if screen == 'dark' else f'a {screen} room'}" if screen else ""
        return f"{light} in {around}{of_screen}: they should look like the screen there, not measure like it."
    return ""


def _room_light(room: RoomMatch) -> str:
    light = 0.0 if room.settings is None else room.settings.veil
    return f"Room light of {light:g} cd/m² on the monitors' faces is seen with every picture." if light > 0 else ""


def _one_target(room: RoomMatch) -> str:
    return "The sheet carries one target for all monitors of this room." if shares(room) else ""


def _unsure(room: RoomMatch) -> str:
    names = [words.name_of(m) for m in room.monitors if m.verdict.result == "undecided"]
    if not names:
        return ""
    they_match = "it matches" if len(names) == 1 else "they match"
    return f"The readings of {words.join(names)} leave it open whether {they_match}."


def _hope(room: RoomMatch) -> str:
    wrong = [m for m in room.monitors if m.verdict.result == "no match"]
    if not wrong:
        return ""
    fixable = [words.name_of(m) for m in wrong if m.adjust and words.will_match(m)]
    if len(fixable) == len(wrong):
        return "Every monitor that does not match can be set so that it should."
    if fixable:
        return f"{words.join(fixable)} can be set so that it should match; the rest can only come nearer."
    it, comes = ("it", "it") if len(wrong) == 1 else ("the others", "they")
    return f"No setting makes {it} match fully; how near {comes} can come is told below."
