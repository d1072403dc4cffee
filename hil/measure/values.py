"""What a measurement is: a number with unit, standard uncertainty, degrees of freedom and sample number."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A measured value in `unit`.

    `u` is the standard uncertainty in the same unit, `dof` its degrees of freedom (infinite where it is known
    from a calibration or a specification), `n` how many samples (turns, legs, readings) it rests on. `is_count`
    marks counted things (contacts, false resets): `value` events in `n` trials; `u` is then not used by the
    judgement. `is_spread` marks a standard deviation, which
    needs n of at least 10; `noise` is the standard deviation of one measured value by itself, in the same unit, which
    was taken out of it. `notes` are sentences for the reader. `source` says who or what gave the number. `among` are
    the values, by what each is of, that this one was chosen from as the largest.
    """

    value: float
    unit: str
    u: float
    dof: float = math.inf
    n: int = 1
    is_count: bool = False
    is_spread: bool = False
    noise: float = 0.0
    notes: tuple[str, ...] = ()
    source: str = "robot"
    among: tuple[tuple[str, Measurement], ...] = ()


class CannotMeasureError(Exception):
    """The trace cannot carry the measurement; the message is a sentence that says why."""
