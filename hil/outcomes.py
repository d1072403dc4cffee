"""The five outcomes and what a set of them means for the exit status."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum


class Outcome(Enum):
    """What came of an assertion, a case, a suite or a run."""

    PASSED = "passed"
    FAILED = "failed"  # the robot's fault
    UNDECIDED = "undecided"  # the uncertainty is too large for the tolerance
    SKIPPED = "skipped"  # always with a reason
    ERROR = "error"  # the bench's fault

    @property
    def is_good(self) -> bool:
        """True only for *passed*: undecided and skipped never count as passed."""
        return self is Outcome.PASSED


# The worst first. An error stands above a failure: what the bench broke, the robot cannot answer for.
_WORST_FIRST = (Outcome.ERROR, Outcome.FAILED, Outcome.UNDECIDED, Outcome.SKIPPED, Outcome.PASSED)

EXIT_STATUS = {
    Outcome.PASSED: 0,
    Outcome.FAILED: 1,
    Outcome.ERROR: 3,
    Outcome.UNDECIDED: 4,
    Outcome.SKIPPED: 4,
}


def worst(outcomes: Iterable[Outcome]) -> Outcome:
    """Return the worst of `outcomes`; an empty set is *skipped*, since nothing was shown."""
    seen = set(outcomes)
    return next((outcome for outcome in _WORST_FIRST if outcome in seen), Outcome.SKIPPED)
