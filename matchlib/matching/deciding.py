"""The verdict on a monitor as its readings allow it, and what would decide one that they leave undecided."""

import math
from dataclasses import dataclass, replace
from datetime import date

from matchlib.facility.rooms import Room, Tolerances
from matchlib.matching.errors_of_readings import Display, display_of, noise_of, scatter_of, sources_of
from matchlib.matching.result import Figures, Target, Verdict
from matchlib.matching.settings import Compared
from matchlib.matching.uncertainty import Uncertainty, uncertainty_of
from matchlib.matching.verdict import judge
from matchlib.perception.difference import Score
from matchlib.perception.viewing import Viewing
from matchlib.readings.instrument import TRUSTED_DAYS, Correction, Meters
from matchlib.readings.session import Session, average_repeats

_TIMES = (4, 16)  # how many times as many repeats anybody would read


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A monitor before its judge.

    Attributes:
        reference: What it is held against; ``monitor``: itself.
        session: The monitor's readings.
        instrument: Id of the instrument that read it.
    """

    reference: Display
    monitor: Display
    session: Session
    instrument: str
    mode: Viewing
    now: Score
    figures: Figures
    ideal: Target
    tolerances: Tolerances

    def sure(self, monitor: Display | None = None) -> Uncertainty:
        """Return how sure the figures are, or would be with other errors of the readings."""
        gamma = self.ideal.gamma if self.ideal.gamma is not None else self.monitor.response.gamma
        return uncertainty_of(self.reference, monitor or self.monitor, self.mode, gamma)

    def verdict(self, sure: Uncertainty) -> Verdict:
        """Return the verdict with figures so sure."""
        return judge(self.now, self.figures, self.ideal, self.tolerances, sure)


@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """A monitor's session as it counts.

    Attributes:
        correction: Of its instrument, already applied; None where there is none.
    """

    session: Session
    correction: Correction | None

    @property
    def instrument(self) -> str:
        """Id of what read it."""
        return self.session.header.instrument

    @property
    def day(self) -> date:
        """On which it was read."""
        return self.session.header.measured.date()


@dataclass(frozen=True, slots=True)
class Judged:
    """What the readings allow to be said.

    Attributes:
        now: The score, with the standard uncertainty of its mean.
        deciding: What would decide an undecided monitor, in words.
        notes: On the instrument and its correction, in words.
        errors: What can be wrong with its readings; ``sure``: what that makes of the figures.
    """

    now: Score
    verdict: Verdict
    deciding: str
    notes: tuple[str, ...]
    errors: Display
    sure: Uncertainty


def judge_readings(
    reference: Display, compared: Compared, ideal: Target, room: Room, read: Read, meters: Meters
) -> Judged:
    """Return the verdict with its uncertainty, and words on both."""
    instrument = meters.instruments[read.instrument]
    sources = sources_of(instrument, meters, read.correction)
    errors = display_of(read.session, compared.response, compared.signal, sources, instrument)
    case = Case(
        reference=reference,
        monitor=errors,
        session=read.session,
        instrument=read.instrument,
        mode=compared.wanted.viewing,
        now=compared.now,
        figures=compared.figures,
        ideal=ideal,
        tolerances=room.tolerances,
    )
    sure = case.sure()
    verdict = case.verdict(sure)
    return Judged(
        now=replace(compared.now, u_mean=sure.spread("mean_difference").standard),
        verdict=verdict,
        deciding=what_would_decide(case, sure, verdict, meters),
        notes=tuple(
            _notes(read, meters, repeated=errors.scatter is not None and math.isfinite(errors.scatter.freedom))
        ),
        errors=errors,
        sure=sure,
    )


def _notes(read: Read, meters: Meters, *, repeated: bool) -> list[str]:
    found = []
    instrument, correction = meters.instruments[read.instrument], read.correction
    if correction is not None:
        age = correction.age(read.day)
        before, after = correction.before, correction.after
        found.append(
            f"read by {instrument.id}, corrected to {correction.reference} for the panel {correction.panel!r} by "
            f"the {correction.method} of {correction.made.isoformat()}, {abs(age)} days "
            f"{'before' if age >= 0 else 'after'}: residual {before.uv:.4f} to {after.uv:.4f} u′v′, "
            f"{100 * before.luminance:.1f} % to {100 * after.luminance:.1f} % of luminance"
        )
        if abs(age) > TRUSTED_DAYS:
            found.append(f"the correction of {instrument.id} is {abs(age)} days from this reading: make it anew")
    elif instrument.kind == "colorimeter":
        found.append(
            f"{instrument.id} has no correction for this panel: its stated uncertainty ({instrument.xy:g} in x "
            "and y) is all that is known of it, and on a new kind of panel it may err more"
        )
    if not repeated:
        found.append(
            f"{read.session.file}: no patch was read twice, so half the floor of {instrument.id}, "
            f"{instrument.floor / 2:g} cd/m², stands for its scatter"
        )
    return found


def what_would_decide(case: Case, sure: Uncertainty, verdict: Verdict, meters: Meters) -> str:
    """Return in words what would decide an undecided monitor; empty where nothing has to be."""
    unsure = [check for check in verdict.checks if check.result == "undecided" and check.value is not None]
    if verdict.result != "undecided" or not unsure:
        return ""
    text = ""
    blind = [check for check in unsure if sure.least_expanded(check.name) >= check.limit]
    if blind:
        check = blind[0]
        text = (
            f"with {case.instrument} no monitor could pass: its uncertainty of {_name(check.name)}, "
            f"{sure.least_expanded(check.name):.2g}, is no smaller than the limit {check.limit:g}; "
        )
    return text + _remedy(case, meters)


def _remedy(case: Case, meters: Meters) -> str:
    noise = noise_of(case.session, meters.instruments[case.instrument], case.monitor.drift)
    patches = average_repeats(case.session)
    for times in _TIMES:
        scatter = scatter_of(patches, case.monitor.response, noise, times)
        if _decided(case, replace(case.monitor, scatter=scatter)):
            return f"read each patch {times} times as often with {case.instrument}: that would decide it"
    others = [entry for name, entry in meters.instruments.items() if name != case.instrument]
    for other in sorted(others, key=lambda entry: (entry.xy, entry.luminance, entry.id)):
        if _decided(case, replace(case.monitor, sources=sources_of(other, meters))):
            return f"read it with {other.id}: that would decide it, should the figures stay"
    return "no instrument here decides it, for its figures are too near the limits"


def _decided(case: Case, monitor: Display) -> bool:
    return case.verdict(case.sure(monitor)).result != "undecided"


def _name(check: str) -> str:
    return {"mean_difference": "the mean difference", "p95_difference": "the 95th percentile"}.get(check, check)
