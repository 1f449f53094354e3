"""Whether a session can be believed: every check, and what they find.

The checks are data: to add one, write a function in ``checks/`` and put it into its module's tuple.
"""

from matchlib.errors import InputError
from matchlib.readings.checks.circumstances import CIRCUMSTANCES
from matchlib.readings.checks.evidence import Evidence
from matchlib.readings.checks.finding import NOTE, REFUSE, WARN, Check, Context, Finding
from matchlib.readings.checks.plausible import PLAUSIBLE, REFUSING
from matchlib.readings.checks.ramps import RAMPS
from matchlib.readings.checks.repeats import REPEATS
from matchlib.readings.session import Session

CHECKS: tuple[Check, ...] = (*PLAUSIBLE, *RAMPS, *REPEATS, *CIRCUMSTANCES)
RANGE_CHECK = "signal range"  # told of a session that is not complete, too: it says why
SEVERITIES = (REFUSE, WARN, NOTE)


def find(session: Session, context: Context | None = None, checks: tuple[Check, ...] = CHECKS) -> tuple[Finding, ...]:
    """Return what the checks find in a session, the gravest first; where one refuses, only what refuses.

    Args:
        session: Readings; they need not be complete.
        context: What is known around it; checks that need more than is known are silent.
        checks: Which look; all by default.
    """
    context = context or Context()
    evidence = Evidence(session, context.instrument.floor if context.instrument else 0.0)
    found = [
        Finding(check.name, remark.severity, remark.evidence, remark.advice, session.file)
        for check in checks
        for remark in check.look(evidence, context)
    ]
    refused = [finding for finding in found if finding.severity == REFUSE]
    return tuple(refused or sorted(found, key=lambda finding: SEVERITIES.index(finding.severity)))


def check_session(session: Session, context: Context | None = None) -> None:
    """Refuse a session whose readings cannot be those of a display; only some checks of plausibility do.

    Raises:
        InputError: Some check refuses it; a problem a finding.
    """
    refused = [finding.problem for finding in find(session, context, REFUSING) if finding.severity == REFUSE]
    if refused:
        raise InputError(refused)
