"""What only today's date can tell: readings that were made after it. Told on the terminal, never in a report."""

from datetime import UTC, datetime, timedelta

from matchlib.readings.archive import Archive

_SLACK = timedelta(days=1)  # clocks of instruments, and the day's line


def ahead_of_today(archive: Archive) -> list[str]:
    """Return a warning for each session that says it was measured later than now."""
    now = datetime.now(UTC) + _SLACK
    return [
        f"{entry.file}: measured {entry.header.measured.date()}, a day yet to come, and so it may count as the "
        "newest; correct the key measured"
        for entry in archive.entries
        if entry.header is not None and entry.header.measured > now
    ]
