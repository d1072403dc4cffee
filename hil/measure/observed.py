"""What a person observed, as readings that belong to drives: the words of the operator's route.

An answer belongs to the drive before it. What was read before a drive is the last answer of that name after the drive
before it, so that one reading ends a leg and begins the next.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from hil.measure.evidence import Answer, Drive, Evidence
from hil.measure.method import Method, Parameters, ParameterSpec, drives_of
from hil.measure.uncertainty import Mean, mean_of_known
from hil.measure.values import CannotMeasureError, Measurement
from hil.quantities import QuantityError, convert

GUM = "JCGM 100:2008 4.2, G.4"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """An answer in the unit asked for."""

    value: float
    u: float
    source: str


def numbered_drives(evidence: Evidence, parameters: Parameters) -> list[tuple[int, Drive]]:
    """Return the drives asked of with their numbers among all."""
    wanted = drives_of(evidence, parameters)
    return [(index, drive) for index, drive in enumerate(evidence.drives) if any(drive is one for one in wanted)]


def answer_after(evidence: Evidence, name: str, index: int, unit: str) -> Reading | None:
    """Return the last answer of that name given after drive number `index` (-1: before the first)."""
    found = [answer for answer in evidence.answers if answer.name == name and answer.index == index]
    return in_unit(found[-1], unit) if found else None


def in_unit(answer: Answer, unit: str) -> Reading:
    """Return an answer in `unit`; refuse one that cannot be."""
    try:
        value, u = convert(answer.value, answer.unit, unit), convert(answer.u, answer.unit, unit)
    except QuantityError as error:
        raise CannotMeasureError(f"the answer {answer.name} is not in a unit of {unit}: {error}") from None
    return Reading(value=value, u=abs(u), source=answer.source)


def mean_of(readings: Sequence[Reading], what: str) -> Mean:
    """Return the mean with the instruments' uncertainty or the scatter, whichever is larger."""
    return mean_of_known([one.value for one in readings], [one.u for one in readings], what)


def measured(mean: Mean, unit: str, readings: Sequence[Reading], notes: tuple[str, ...] = ()) -> Measurement:
    """Return a mean as a measurement, with who gave the readings."""
    return Measurement(
        value=mean.value, unit=unit, u=mean.part.u, dof=mean.part.dof, n=mean.n, notes=notes,
        source=", ".join(sorted({one.source for one in readings})),
    )  # fmt: skip


def word_spec(name: str, meaning: str, default: str) -> ParameterSpec:
    """Return a parameter that names an answer."""
    return ParameterSpec(name=name, meaning=meaning, default=default, is_word=True)


def observation_method(
    name: str,
    unit: str,
    run: Callable[[Evidence, Parameters], Measurement],
    parameters: tuple[ParameterSpec, ...],
    summary: str,
    source: str = GUM,
) -> Method:
    """Return a method of the operator's route."""
    return Method(
        name=f"observation.{name}", unit=unit, run=run, needs=("answers",), summary=summary, source=source,
        parameters=parameters, is_count=name == "contacts", is_spread=name.endswith("_spread"),
    )  # fmt: skip
