"""What a person observed, as readings that belong to drives: the words of the operator's route.

An answer belongs to the drive before it. What was read before a drive is the last answer of that name after the drive
before it, so that one reading ends a leg and begins the next. Where the robot was placed between, by hand, what was
read after that begins the next leg only, and what was read before ends the last one only.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from hil.measure.evidence import Answer, Drive, Evidence
from hil.measure.legs import pooled
from hil.measure.method import Method, Parameters, ParameterSpec, drives_of
from hil.measure.uncertainty import Mean, Part, mean_of_known
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
    """Return the last answer of that name given where drive number `index` ended."""
    found = [one for one in evidence.answers if (one.name, one.index) == (name, index) and not one.placed]
    return in_unit(found[-1], unit) if found else None


def answer_before(evidence: Evidence, name: str, index: int, unit: str) -> Reading | None:
    """Return the last answer of that name given where drive number `index` began."""
    found = [one for one in evidence.answers if (one.name, one.index) == (name, index - 1)]
    if index > 0 and evidence.drives[index].conditions.get("placed"):
        found = [one for one in found if one.placed]
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


def combined(groups: Sequence[Sequence[Reading]], weights: Sequence[float], what: str) -> Mean:
    """Return the sum of `weights` times the means of groups of readings, one way or place each.

    The instruments' uncertainty or the scatter, pooled over all groups about their own means, whichever is larger.
    """
    if not any(groups):
        raise CannotMeasureError(f"{what}: there is no value")
    pairs = [(weight, group) for weight, group in zip(weights, groups, strict=True) if weight]
    value = math.fsum(weight * math.fsum(one.value for one in group) / len(group) for weight, group in pairs)
    known = math.fsum((weight / len(group)) ** 2 * one.u**2 for weight, group in pairs for one in group)
    variance, dof = pooled([[one.value for one in group] for group in groups])
    scatter = math.fsum(weight**2 * variance / len(group) for weight, group in pairs) if dof else 0.0
    part = Part(math.sqrt(scatter), dof) if scatter > known else Part(math.sqrt(known))
    return Mean(
        value=value, part=part, sd=math.sqrt(variance) if dof else math.nan, n=sum(len(group) for _, group in pairs)
    )


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
