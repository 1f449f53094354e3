"""The cautions that stand in every report: common practice and the standards named; local codes come first."""

FLASHING = (
    "Patch sequences flash. Warn everyone in the room; people with photosensitive epilepsy or migraine should "
    "leave before they start. Keep the room lit until they do, and show dark patches between bright ones "
    "slowly."
)
CAUTIONS = (
    "Lamp houses are for qualified staff only. A xenon lamp is under pressure even when it is cold, and can "
    "burst: full face, neck and hand protection, the maker's cool-down before opening, the blower left "
    "running. Its housing holds high voltage, ultraviolet light, heat and ozone.",
    "Never look into the lens of a projector, laser or lamp, and never put an instrument where a person would "
    "have to. Follow the projector's risk-group markings (IEC 62471-5) and the separation they demand.",
    "Do not work at height for a reading: a spectroradiometer reads from the seats. Where a screen or a port "
    "must be reached, use qualified people and the equipment that local rules ask for.",
    FLASHING,
    "Local codes, the site's own rules and qualified people come before anything printed here.",
)
