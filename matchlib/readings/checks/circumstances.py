"""What only other sessions and the inventory can tell: room light, age, files filed twice."""

from collections.abc import Iterator

from matchlib.readings.checks.evidence import Evidence
from matchlib.readings.checks.finding import NOTE, WARN, Check, Context, Remark
from matchlib.readings.session import Session

BLACK_RISE = 0.5  # relative: more than black moves with age and temperature between visits. No source
FLOORS = 2.0  # of the instrument: below it a rise of black is noise
# White over black that a working panel of a kind does not fall below, native and as calibrated (by signal a panel
# keeps its black while its peak is cut to a fifth or less). Common practice, no source; for projectors less than
# half of the least sequential contrast of a theatre in SMPTE RP 431-2:2011, table A.1 (1,200:1).
LEAST_CONTRAST = (("oled", 5000, 2000), ("lcd", 250, 50), ("projector", 500, 500))
RAISED = 500  # white over black below which a session that saw the room is noted. Common practice, no source
_LIGHT = "darken the room or use a contact instrument, and measure again; or say in 'veil' that the light is wanted"


def _contrast(session: Session) -> tuple[float, float] | None:
    """Return white and black, cd/m²; None where one was not read."""
    evidence = Evidence(session)
    if evidence.white is None or evidence.black is None:
        return None
    return float(evidence.white[1]), float(evidence.black[1])


def _room_light(evidence: Evidence, context: Context) -> Iterator[Remark]:
    session, found = evidence.session, _contrast(evidence.session)
    if found is None or not session.header.veil_included:
        return
    white, black = found
    others = (*context.earlier, *context.contact)
    known = [(other, pair) for other in others if (pair := _contrast(other)) is not None]
    known.sort(key=lambda entry: entry[0].header.veil_included)  # those that saw no room light tell most
    if known:
        other, (their_white, their_black) = known[0]
        due = their_black * max(1.0, white / their_white) if their_white > 0 else their_black
        if black - due > max(FLOORS * evidence.floor, BLACK_RISE * due):
            contact = "" if other.header.veil_included else ", which saw no room light"
            yield Remark(
                WARN,
                f"black reads {black:.3g} cd/m², {due:.3g} was due by {other.file}{contact}: room light in the "
                "readings, or a black that was raised",
                _LIGHT,
            )
            return
    least = _least_contrast(context.panel, session.header.mode)
    if black > FLOORS * evidence.floor and white < least * black:
        yield Remark(
            WARN,
            f"white over black is {white / black:.0f}:1, less than any {context.panel or 'such display'} shows "
            f"({least:.0f}:1): room light in the readings, or a black that was raised",
            _LIGHT,
        )
    elif not known and black > FLOORS * evidence.floor and white < RAISED * black:
        yield Remark(
            NOTE,
            f"white over black is {white / black:.0f}:1; whether black is raised or room light is in the readings "
            "one session cannot tell",
            "measure once with a contact instrument, or in the dark",
        )


def _least_contrast(panel: str, mode: str) -> float:
    for word, native, calibrated in LEAST_CONTRAST:
        if word in panel.casefold():
            return native if mode == "native" else calibrated
    return 0.0


def _adjusted(evidence: Evidence, context: Context) -> Iterator[Remark]:
    if context.adjusted is None or context.day is None or evidence.session.header.mode != "calibrated":
        return
    if context.day < context.adjusted:
        yield Remark(
            WARN,
            f"measured {context.day.isoformat()}, before the last adjustment on {context.adjusted.isoformat()}: the "
            "readings are of a state that is gone",
            "measure the display again, or correct 'adjusted' in monitors.csv",
        )


def _twice(evidence: Evidence, context: Context) -> Iterator[Remark]:
    header = evidence.session.header
    for twin in context.twins:
        if twin.display == header.display and twin.mode != header.mode:
            yield Remark(
                NOTE,
                f"{twin.file}, the {twin.mode} session, holds the same readings",
                "nothing, if the display was read in one state",
            )
        else:
            whose = "of this display" if twin.display == header.display else f"of {twin.display}"
            yield Remark(
                WARN,
                f"{twin.file}, {whose}, holds the same readings to the last digit: one of the two is filed under a "
                "wrong name or date",
                "find out whose they are, and set the other aside with a reason",
            )


def _contact(evidence: Evidence, context: Context) -> Iterator[Remark]:
    instrument = context.instrument
    if instrument is not None and instrument.contact and evidence.session.header.veil_included:
        yield Remark(
            WARN,
            f"veil says that room light was read, but {instrument.id} is a contact instrument and sees none",
            "take 'veil: included' out of the file's key lines, or correct 'contact' or 'instrument'",
        )


CIRCUMSTANCES = (
    Check("room light", _room_light),
    Check("older than the adjustment", _adjusted),
    Check("filed twice", _twice),
    Check("contact and veil", _contact),
)
