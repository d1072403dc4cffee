"""Repeats until the result is clear: when to look, and what risk each look may take.

Looking after every repeat and stopping at the first good result makes a bad robot pass sooner or later. So the looks
are fixed beforehand (the least number asked for, then 5, 10 and 20 repeats, then the most), and the risk of a wrong
verdict is divided evenly among them (Bonferroni, which holds whatever the results' correlation). Before the last look
only a clear result ends the repeats, which means the guarded rule; the suite's own rule has its say at the last.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hil.judge.decision import decide
from hil.judge.tolerance import Tolerance
from hil.judge.verdict import CONFIDENCE, Decision, Rule
from hil.measure.values import Measurement
from hil.outcomes import Outcome

LOOK_AFTER = (5, 10, 20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """The numbers of repeats after which results are looked at; the last one is the most that are made."""

    after: tuple[int, ...]

    @property
    def confidence(self) -> float:
        """The confidence of each look, such that all together keep that of a single one."""
        return 1 - (1 - CONFIDENCE) / len(self.after)

    def is_due(self, done: int) -> bool:
        """Tell whether results are looked at after `done` repeats."""
        return done in self.after

    def is_last(self, done: int) -> bool:
        """Tell whether nothing follows after `done` repeats."""
        return done >= self.after[-1]


def looks(at_least: int, at_most: int) -> Looks:
    """Return when to look for `repeat: {at_least, at_most}`: at both, and at 5, 10 and 20 where they lie between."""
    if not 1 <= at_least <= at_most:
        raise ValueError(f"repeats of at least {at_least} and at most {at_most} cannot be made")
    return Looks(after=tuple(sorted({at_least, *(one for one in LOOK_AFTER if at_least < one < at_most), at_most})))


def decide_at(measurement: Measurement, tolerance: Tolerance, rule: Rule, plan: Looks, done: int) -> Decision:
    """Judge what `done` repeats have given; the risk is the look's share of it."""
    at_this_look = rule if plan.is_last(done) else Rule.GUARDED
    return decide(measurement, tolerance, at_this_look, confidence=plan.confidence)


def is_enough(decisions: Iterable[Decision], plan: Looks, done: int) -> bool:
    """Tell whether the repeats may end: the last is made, or this is a look and all decisions are clear."""
    if plan.is_last(done):
        return True
    return plan.is_due(done) and all(d.outcome in (Outcome.PASSED, Outcome.FAILED) for d in decisions)
