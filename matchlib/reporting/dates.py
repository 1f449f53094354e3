"""Days and instants as people write them, in no machine's locale: a report has the same bytes everywhere."""

from datetime import datetime

_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def day_words(text: str) -> str:
    """Return the day of an RFC 3339 instant: ``2 October 2026``."""
    when = datetime.fromisoformat(text)
    return f"{when.day} {_MONTHS[when.month - 1]} {when:%Y}"


def moment_words(text: str) -> str:
    """Return an instant: ``2 October 2026, 09:40 (UTC+01:00)``."""
    when = datetime.fromisoformat(text)
    return f"{day_words(text)}, {when:%H:%M} (UTC{text[-6:] if when.utcoffset() else ''})"
