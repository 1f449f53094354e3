"""What every report says of its method and of the limits of it."""

from matchlib.displays.scattered import FOLDS, ScatteredResponse
from matchlib.matching.fitting import recipe_words
from matchlib.matching.result import RoomMatch
from matchlib.reporting import words


def method(room: RoomMatch) -> list[dict[str, object]]:
    """Return the sections on how the numbers were found: title, paragraphs, whether they are a list."""
    followed = "as it was measured"
    if room.settings is not None and room.settings.reference == "nominal":
        followed = "as its encoding says it should be, over the black that was measured"
    surround = f"{room.surround} surround"
    return [
        {"title": "Method", "list": False, "text": _steps(room, followed, surround)},
        {"title": "Limits of the method", "list": True, "text": list(_LIMITS)},
    ]


def _steps(room: RoomMatch, followed: str, surround: str) -> list[str]:
    return [
        "Each display is fitted with an additive model: black, a 3×3 matrix by non-negative least squares over "
        "all patches, and a monotone tone curve a channel. The projector is followed "
        f"{followed}.",
        _mode(room),
        *_room_light(room),
        *_not_additive(room),
        "The difference is CIEDE2000 (Sharma, Wu & Dalal 2005) over the standard list of 141 patches (a cube of "
        "5 steps a channel and 21 greys) through the fitted responses. ΔE_ITP (ITU-R BT.2124-0) and CAM16-UCS "
        f"({surround}) stand beside it in match.json. Gamma is the log–log slope over the greys from peak to "
        "5 % of peak, black subtracted (RP 431-2:2011, Annex A).",
        "The target is the setting with the least mean CIEDE2000 that the panel can show: white and peak are the "
        "ideal's wherever the panel's light allows, white and greys never clip, colours outside the panel "
        f"{_outside(room)}. A search that gains less than 0.05 over the ideal's own figures is replaced by them. "
        "The ideal is what a display with this monitor's black and no other limit would be set to.",
        "A box with curves is a curve a channel, a 3×3 matrix and a curve again in front of the native panel; a box "
        "with a 3D table gives each colour what looks most like it in the panel's reach. Each level starts from the "
        "one before, and is never worse. The causes are Shapley shares of the mean difference: each factor is the "
        "monitor's or the ideal's in turn, and its share is its mean effect over all orders; a share below zero "
        "hides part of another. One target for the room is the one that makes the worst monitor's difference least.",
        _rule(room),
        "Uncertainties are carried from the readings by Monte Carlo (JCGM 101:2008, 256 draws, fixed seed). An "
        "instrument's stated luminance scale is one error for everything it reads; its stated x, y is one step for "
        "all colours of a display, of which the share common_xy is the same on every display it reads. The scatter "
        "of repeats comes from each session; drift that its repeats show beyond their noise is one error more for "
        "the whole session. U is k = 2, more where few repeats tell the scatter (Student's t at the effective "
        "degrees of freedom, JCGM 100:2008, G.4), or how far the 95 % interval reaches from the figure, if that is "
        "more: errors lengthen a small difference.",
        "Beside a display's own figures stands their uncertainty by the law of propagation (JCGM 100:2008), that of "
        "the instrument's scale included, which cancels in a difference that one instrument read. What is typed into "
        "a menu is exact: the uncertainty beside the ideal is that of the screen's reading, and beside the "
        "difference expected of a target that of the screen's and of the panel's readings. A setting whose gain is "
        "smaller than the uncertainty (k = 2) of that gain is not worth a visit.",
    ]


def _mode(room: RoomMatch) -> str:
    """Return what a monitor should show in the room's match mode."""
    start = f"Match mode {room.mode}: a monitor should show "
    if room.mode == "absolute":
        return (
            f"{start}the projector's XYZ, with the projector's white ({room.luminance:.2f} cd/m²) as reference white "
            "of every difference."
        )
    white = f"that white at {room.luminance:.0f} cd/m² is the reference white of every difference."
    if room.mode == "relative":
        return f"{start}the projector's XYZ, all scaled by one factor, so that its white has this peak; {white}"
    screen = f"{room.projector.row.surround} surround" if room.projector.row else "its own surround"
    return (
        f"{start}what looks like the screen by the colour appearance model CAM16: the same lightness, chroma and hue "
        f"for an eye wholly adapted to the projector's white on both sides (D = 1), with a background of a fifth of "
        f"white (Y_b = 20, L_A = Y_w/5), on the screen at {room.projector.response.luminance:.1f} cd/m² ({screen}), "
        f"on the monitor at {room.luminance:.0f} cd/m² ({room.surround} surround); {white} Under another light "
        "and surround the same look needs other primaries and another tone, so the ideal is searched; beside it "
        "stands the one that keeps the projector's primaries."
    )


def _room_light(room: RoomMatch) -> list[str]:
    """Return how light that a session may not hold enters: on the monitors' faces, and on the screen."""
    face = 0.0 if room.settings is None else room.settings.veil
    screen = 0.0 if room.projector.row is None else room.projector.row.veil
    told = []
    if face > 0:
        told.append(
            f"Room light: {face:g} cd/m² on the monitors' faces are seen with all that they show. They are added to "
            "a monitor's readings where its session did not see them (a contact instrument does not), and left out "
            "of the panel's reach; the figures to set are those that its session would read."
        )
    if screen > 0:
        told.append(
            f"Light that pictures scatter back onto the screen: {screen:g} cd/m² of the colour of its white are "
            "added to everything it shows, unless its session holds them."
        )
    return [" ".join(told)] if told else []


def _outside(room: RoomMatch) -> str:
    shrink = room.settings is not None and room.settings.out_of_reach == "shrink"
    return "are avoided: no colour clips" if shrink else "clip and are counted"


def _not_additive(room: RoomMatch) -> list[str]:
    """Return what stands in the place of the additive model, where a display's light does not add."""
    fitted = {f"screen {room.projector.id}": room.projector.fitted}
    fitted |= {words.name_of(monitor): monitor.detail.response for monitor in room.monitors if monitor.detail}
    models = [
        f"{name}: {recipe_words(response.recipe)}"
        for name, response in fitted.items()
        if isinstance(response, ScatteredResponse)
    ]
    if not models:
        return []
    return [
        "Where the primaries do not add to white, or the additive fit is far from its readings, a model over the "
        f"scattered readings stands in its place. {'; '.join(models)}. Offsets from the trend are interpolated in "
        "CIELAB's cube root of XYZ; black, white and the full primaries are met. Trend and smoothing are those with "
        f"the least mean CIEDE2000 in {FOLDS}-fold cross-validation, and the additive fit stands where none is "
        "clearly better. The error given is the cross-validated one, over patches that the fit had not seen."
    ]


def _rule(room: RoomMatch) -> str:
    if room.settings is not None and room.settings.tolerances.rule == "simple":
        return (
            "The verdict holds each figure against its limit as it stands (rule: simple); a figure near its limit "
            "may lie on either side of it."
        )
    return (
        "The verdict holds each figure against its limit with a guard band as wide as its uncertainty (rule: "
        "guarded, JCGM 106:2012, w = U): it passes below limit − U, fails above limit + U, and is undecided "
        "between. An instrument whose U is as large as a limit can let nothing pass it."
    )


_LIMITS = (
    "Uncertainties hold what the instruments' stated figures and the repeats say. Room light, drift that "
    "no repeats show, the models' own errors (of the fit, and of an appearance) and an instrument that is worse than "
    "stated are not in them.",
    "CIE 1931 colour matching functions stand for every viewer. Displays with unlike spectra can measure alike "
    "and look different, most of all narrow-band ones beside a xenon screen.",
    "The model is additive. A display with a white sub-pixel, a limiter or channels that leak into each other is "
    "not: the sum of its primaries or the fit's error tells, and a model over its scattered readings then stands "
    "for it, no better than its cross-validated error. Readings that depend on the rest of the screen are in no "
    "model.",
    "The match is of the centre of the screen at the time given. How even the screen is stands beside its standard, "
    "as far as its sides and corners were read; drift shows only where a session repeats its patches.",
    "The checks of the sessions see what a session shows of itself, beside earlier ones where there are any. Room "
    "light in a single session cannot be told from a raised black.",
    "The words for differences (alike, close, visible, plain, another picture) are common practice, no source.",
)
