"""Which of a display's sessions counts, and why not the others (design 3.2)."""

from dataclasses import dataclass

from matchlib.errors import InputError, Problem
from matchlib.readings.checks.finding import Finding
from matchlib.readings.quality import RANGE_CHECK, find
from matchlib.readings.session import Header, Session, average_repeats, missing_from


@dataclass(frozen=True, slots=True)
class Choice:
    """Which session of a display counts, and why not the others.

    Attributes:
        session: None where none counts.
        problems: Why the newest cannot be used; the display's rooms fail.
        passed_over: File and reason of every other session.
        warnings: Faults of files that do not count.
        findings: What the checks say of the session that counts.
        earlier: The other complete sessions, newest first.
    """

    session: Session | None
    problems: tuple[Problem, ...] = ()
    passed_over: tuple[tuple[str, str], ...] = ()
    warnings: tuple[Problem, ...] = ()
    findings: tuple[Finding, ...] = ()
    earlier: tuple[Session, ...] = ()


class Sorting:
    """The sessions of one display, mode and preset on their way to a choice."""

    def __init__(self) -> None:
        self.passed: list[tuple[str, str]] = []
        self.warnings: list[Problem] = []
        self.problems: list[Problem] = []
        self._complete: list[Session] = []
        self._broken: list[tuple[Header, InputError]] = []

    def take(self, header: Header, read: Session | InputError) -> None:
        """Take one session that competes, read or refused."""
        if isinstance(read, InputError):
            self._broken.append((header, read))
        elif missing := missing_from(average_repeats(read), read):
            self.passed.append((header.file, f"not complete: no {', no '.join(missing)}"))
            self.warnings += read.warnings
            self.warnings += [found.problem for found in find(read) if found.check == RANGE_CHECK]
        else:
            self._complete.append(read)

    @property
    def earlier(self) -> list[Session]:
        """The complete sessions beside the one that counts, newest first."""
        return self._complete[1:]

    def choice(self) -> Choice:
        """Return which session counts, if one does."""
        self._complete.sort(key=lambda session: session.header.measured, reverse=True)
        newest = self._complete[0] if self._complete else None
        for header, error in self._broken:
            if newest is None or header.measured >= newest.header.measured:
                self.problems += error.problems
            else:
                self.passed.append((header.file, "older, and cannot be read"))
                self.warnings += error.problems
        if newest is not None:
            self._settle(newest)
        problems, warnings = tuple(dict.fromkeys(self.problems)), tuple(dict.fromkeys(self.warnings))
        return Choice(None if problems else newest, problems, tuple(self.passed), warnings)

    def _settle(self, newest: Session) -> None:
        """Pass over the others; a problem, or a warning, where one shares the newest's instant."""
        when = newest.header.measured
        self.warnings += newest.warnings
        for other in self._complete[1:]:
            if other.header.measured != when:
                self.passed.append((other.file, f"older than {newest.file} ({when.isoformat()})"))
            elif _same_readings(newest, other):
                self.passed.append((other.file, f"filed twice: the same as {newest.file}"))
                what = f"filed twice: {other.file} holds the same readings"
                self.warnings.append(Problem(what, "set one aside", newest.file))
            else:
                what = f"{other.file} has the same instant {when.isoformat()} and other readings"
                self.problems.append(Problem(what, "set one of them aside with a reason", newest.file))


def other_purpose(header: Header, preset: str, mode: str) -> str:
    """Return why a session does not compete for this mode and preset, or an empty string."""
    if header.mode != mode:
        return f"{header.mode} session"
    if header.position != "centre":
        return f"position {header.position}, for uniformity"
    if mode == "calibrated" and header.preset != preset:
        return f"preset {header.preset or 'none'}"
    return ""


def _same_readings(one: Session, other: Session) -> bool:
    return one.signal.tobytes() == other.signal.tobytes() and one.xyz.tobytes() == other.xyz.tobytes()
