"""The words of a judgement: the rules that a suite may choose, intervals, and what a decision consists of."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from hil.outcomes import Outcome

CONFIDENCE = 0.95


class Rule(Enum):
    """How a value near a limit is judged.

    `SIMPLE`: inside is passed, outside is failed; at the limit the risk of a wrong verdict is one half. `GUARDED`:
    inside by the guard band U is passed, which keeps false acceptance below 2.5 % (ILAC-G8:09/2019); else undecided.
    """

    SIMPLE = "simple"
    GUARDED = "guarded"


@dataclass(frozen=True, slots=True)
class Interval:
    """What the quantity may be, in the measurement's unit."""

    lower: float
    upper: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What became of a measurement held against a tolerance.

    `reason` is a sentence. `expanded` is U, in the measurement's unit, at the probability `confidence`: half of the
    interval of a measured value, the wider side of the interval of a spread, None for counted things. `p_conformance`
    is the probability that the quantity itself lies within the tolerance; it is None for counted things, where no
    distribution of the quantity is assumed, and where nothing could be said.
    """

    outcome: Outcome
    reason: str
    expanded: float | None = None
    interval: Interval | None = None
    p_conformance: float | None = None
    confidence: float = CONFIDENCE


def spoken_confidence(confidence: float) -> str:
    """Return a probability as words: `95 %`, `98.3 %`."""
    return f"{100 * confidence:.3g} %"
