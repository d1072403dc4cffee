"""From a case's evidence to its assertions: methods compute, the judge decides, this file only passes values on.

By both routes a measurement is made twice, from what the robot reported and from what a person read. Where the two
agree they are judged as one; where they disagree neither is preferred, and the assertion is undecided unless both fail
alone. The same holds on the telemetry route where a case has no other sequence for the person and its steps ask for
readings.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from hil.engine.assertion_results import judged, not_measured, without_tolerance
from hil.errors import InternalError
from hil.judge.distributions import coverage_factor
from hil.judge.joining import Comparison, compare, joined
from hil.judge.repeats import Looks, decide_at
from hil.judge.rounding import plain_number, rounded_pair, with_unit
from hil.judge.verdict import CONFIDENCE, Decision
from hil.measure.evidence import Evidence
from hil.measure.method import needs_of
from hil.measure.methods import METHODS
from hil.measure.values import CannotMeasureError, Measurement
from hil.outcomes import Outcome
from hil.quantities import QuantityError, convert
from hil.results import (
    AssertionResult,
    Limits,
    PartResult,
    Route,
    UnjudgedResult,
)
from hil.spec.suite_values import AssertionSpec, Case, Limit, MeasureSpec

Made = Measurement | str  # a measurement, or the sentence that says why there is none


@dataclass(frozen=True, slots=True, kw_only=True)
class Court:
    """What a case is judged with: the route, the robot's class, whose numbers they are, and the looks at repeats.

    `reported` are the channels that the robot can report, with "events" where it reports any; None: not known, and
    every method is tried.
    """

    suite: str
    case: Case
    route: Route
    robot_class: str
    source: str
    looks: Looks
    done: int = 0  # repeats gone through
    reported: Collection[str] | None = None
    is_shared: bool = True  # whether robot and person tell of the same drives


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What was measured of a case: held against tolerances, and besides."""

    assertions: tuple[AssertionResult, ...] = ()
    measured: tuple[UnjudgedResult, ...] = ()


def judge_case(court: Court, evidence: Evidence) -> Judgement:
    """Measure and judge what the route can measure of a case; each measurement is computed once."""
    made: dict[str, tuple[Made, ...]] = {}
    results = []
    court = replace(court, is_shared=not any(drive.by_person for drive in evidence.drives))
    for assertion in _asserted(court.case, court.route, court.reported):
        name = assertion.measurement
        if name not in made:
            spec = next(measure for measure in court.case.measures if measure.name == name)
            made[name] = _made(court, spec, evidence)
        results.append(_judged(court, assertion, made[name]))
    return Judgement(assertions=tuple(results), measured=tuple(_besides(court, evidence)))


def _besides(court: Court, evidence: Evidence) -> Iterator[UnjudgedResult]:
    """Yield what the route can measure of a case and nothing is asserted of."""
    asserted = {assertion.measurement for assertion in court.case.assertions}
    for spec in court.case.measures:
        if spec.name not in asserted and any(_methods(court.case, court.route, court.reported, spec)):
            for made in _made(court, spec, evidence) or ("Nothing of it was recorded.",):
                yield without_tolerance(made, suite=court.suite, case=court.case.name, name=spec.name)


def ends_repeats(assertions: Sequence[AssertionResult], plan: Looks, done: int) -> bool:
    """Tell whether the repeats end with this look: the last is made, or every assertion is clear."""
    return plan.is_last(done) or all(one.outcome in (Outcome.PASSED, Outcome.FAILED) for one in assertions)


def unmeasured_note(case: Case, route: Route, reported: Collection[str] | None = None) -> tuple[str, ...]:
    """Return the note on what a case asserts and the route cannot measure on this robot."""
    made = {assertion.measurement for assertion in _asserted(case, route, reported)}
    missing = dict.fromkeys(one.measurement for one in case.assertions if one.measurement not in made)
    return (f"Not measured by this route: {', '.join(missing)}.",) if missing else ()


def _asserted(case: Case, route: Route, reported: Collection[str] | None) -> tuple[AssertionSpec, ...]:
    """Return the assertions that a route can measure, on a robot that reports these channels."""
    measures = {one.name: one for one in case.measures}
    return tuple(one for one in case.assertions if any(_methods(case, route, reported, measures[one.measurement])))


def _methods(case: Case, route: Route, reported: Collection[str] | None, spec: MeasureSpec) -> tuple[str, str]:
    """Return the method by telemetry and that of the person, "" for what the route has not or the robot cannot give."""
    by_robot = spec.method if route is not Route.OPERATOR else ""
    if by_robot and reported is not None and not _carried(by_robot, spec, reported):
        by_robot = ""
    is_asked = route is not Route.TELEMETRY or not case.operator_sequence
    return by_robot, spec.operator_method if is_asked else ""


def _carried(method: str, spec: MeasureSpec, reported: Collection[str]) -> bool:
    """Tell whether a robot that reports these channels gives all that a method cannot do without."""
    return all(need in reported for need in needs_of(METHODS[method], spec.parameters) if need != "answers")


def _made(court: Court, spec: MeasureSpec, evidence: Evidence) -> tuple[Made, ...]:
    """Return what the route's methods give: one, or two where robot and person both measure."""
    by_robot, by_person = _methods(court.case, court.route, court.reported, spec)
    found: list[Made] = []
    if by_robot:
        own = _without_person(evidence, has_part=bool(by_person))
        found.append(_run(by_robot, spec, own, court.source, by_person=False))
    # Without a sequence of its own the person's part is what the steps ask for, which may be nothing.
    if by_person and (court.route is not Route.TELEMETRY or evidence.answers):
        found.append(_run(by_person, spec, evidence, court.source, by_person=True))
    if court.route is Route.TELEMETRY and len(found) > 1 and isinstance(found[1], str):
        return (found[0],)
    return tuple(found)


def _without_person(evidence: Evidence, *, has_part: bool) -> Evidence:
    """Return what the robot's own sequence gave: what it told in the person's would be joined with itself.

    Where the person `has_part` in the measurement, the person's answers are no evidence of the robot's either.
    """
    own = tuple(drive for drive in evidence.drives if not drive.by_person) or evidence.drives
    # The person's rounds come last, so that drives keep their numbers.
    said = () if has_part else tuple(one for one in evidence.answers if one.index < len(own))
    return replace(evidence, drives=own, answers=said)


def _run(method: str, spec: MeasureSpec, evidence: Evidence, source: str, *, by_person: bool) -> Made:
    parameters = spec.operator_parameters if by_person else spec.parameters
    try:
        measurement = METHODS[method].run(evidence, parameters)
    except CannotMeasureError as error:
        unseen = f" The person could not see: {', '.join(evidence.unseen)}." if by_person and evidence.unseen else ""
        noted = "".join(f" {note}" for note in evidence.notes)
        return f"{str(error)[:1].upper()}{str(error)[1:]}".rstrip(".") + "." + noted + unseen
    if not by_person:
        measurement = replace(measurement, notes=(*measurement.notes, *evidence.notes))
    # A robot's own word is `source`: the robot, or the virtual one.
    return replace(measurement, source=source) if measurement.source == "robot" else measurement


def _judged(court: Court, assertion: AssertionSpec, made: tuple[Made, ...]) -> AssertionResult:
    limit = assertion.limits.get(court.robot_class)
    if limit is None:
        raise InternalError(f"the assertion on {assertion.measurement} has no tolerance for class {court.robot_class}")
    made = tuple(_in_unit(one, limit.tolerance.unit) for one in made)
    measured = [one for one in made if isinstance(one, Measurement)]
    refused = [one for one in made if isinstance(one, str)]
    if not measured:
        return _not_made(court, assertion, limit, " ".join(dict.fromkeys(refused)))
    decisions = [decide_at(one, limit.tolerance, assertion.rule, court.looks, court.done) for one in measured]
    if len(measured) == 1:
        return _result(
            court, assertion, limit, replace(measured[0], notes=(*measured[0].notes, *refused)), decisions[0]
        )
    parts = tuple(_part(one, decision) for one, decision in zip(measured, decisions, strict=True))
    comparison = compare(measured[0], measured[1], same_trials=court.is_shared)
    if not comparison.agree:
        return _disagreeing(court, assertion, limit, measured, parts, comparison)
    both = joined(measured[0], measured[1], same_trials=court.is_shared)
    decision = decide_at(both, limit.tolerance, assertion.rule, court.looks, court.done)
    return replace(_result(court, assertion, limit, both, decision), parts=parts)


def _in_unit(made: Made, unit: str) -> Made:
    """Return a measurement in the unit of its tolerance; a sentence where it cannot be told in that."""
    if isinstance(made, str) or made.unit == unit:
        return made
    try:
        factor = convert(1.0, made.unit, unit)
    except QuantityError:
        spoken = [f"in {one}" if one else "without a unit" for one in (made.unit, unit)]
        return f"It was measured {spoken[0]} ({made.source}), and its tolerance is {spoken[1]}."
    among = tuple((of, one) for of, other in made.among if isinstance(one := _in_unit(other, unit), Measurement))
    value, u, noise = factor * made.value, abs(factor) * made.u, abs(factor) * made.noise
    return replace(made, value=value, unit=unit, u=u, noise=noise, among=among)


def _result(
    court: Court, assertion: AssertionSpec, limit: Limit, measured: Measurement, decision: Decision
) -> AssertionResult:
    return judged(
        measured,
        decision,
        suite=court.suite,
        case=court.case.name,
        name=assertion.measurement,
        tolerance=limit.tolerance,
        rule=assertion.rule,
        why=limit.why,
    )


def _not_made(court: Court, assertion: AssertionSpec, limit: Limit, reason: str) -> AssertionResult:
    return not_measured(
        Outcome.UNDECIDED,
        reason or "Nothing of it was recorded.",
        suite=court.suite,
        case=court.case.name,
        name=assertion.measurement,
        tolerance=limit.tolerance,
        rule=assertion.rule,
        why=limit.why,
    )


def _part(measured: Measurement, decision: Decision) -> PartResult:
    return PartResult(
        source=measured.source,
        value=measured.value,
        u=measured.u,
        dof=measured.dof if measured.dof > 0 else 0.0,
        n=measured.n,
        outcome=decision.outcome,
    )


def _disagreeing(
    court: Court,
    assertion: AssertionSpec,
    limit: Limit,
    measured: Sequence[Measurement],
    parts: tuple[PartResult, ...],
    comparison: Comparison,
) -> AssertionResult:
    """Return the result of two measurements that cannot be of one quantity: both are told, and neither is preferred."""
    unit = measured[0].unit
    both_fail = all(part.outcome is Outcome.FAILED for part in parts)
    rest = "Both fail alone." if both_fail else "Neither is preferred; find out which is wrong."
    return AssertionResult(
        suite=court.suite,
        case=court.case.name,
        measurement=assertion.measurement,
        unit=unit,
        tolerance=Limits(text=limit.tolerance.text, lower=limit.tolerance.lower, upper=limit.tolerance.upper),
        rule=assertion.rule,
        outcome=Outcome.FAILED if both_fail else Outcome.UNDECIDED,
        reason=f"{_said_apart(comparison)} {rest}",
        n=sum(one.n for one in measured),
        source=" + ".join(dict.fromkeys(one.source for one in measured)),
        why=limit.why,
        notes=tuple(note for one in measured for note in one.notes),
        parts=parts,
    )


def _said_apart(comparison: Comparison) -> str:
    """Return the sentence that tells of two values that disagree."""
    pair = (comparison.first, comparison.second)
    values = " against ".join(f"{_spoken(one)} ({one.source})" for one in pair)
    where = f" on {comparison.of}" if comparison.of else ""
    apart = with_unit(plain_number(float(f"{abs(comparison.difference):.3g}")), pair[0].unit)
    if pair[0].is_count:
        by = f" by {apart}" if comparison.limit is not None else ", and no one rate gives both"
        return f"Person and telemetry disagree{by}: {values}."
    most = with_unit(plain_number(float(f"{comparison.limit or 0.0:.2g}")), pair[0].unit)
    return f"Person and telemetry disagree{where} by {apart}, and {most} would still agree: {values}."


def _spoken(measured: Measurement) -> str:
    """Return a value with its expanded uncertainty as words."""
    if measured.is_count:
        return f"{plain_number(measured.value)} in {measured.n}"
    value, expanded = rounded_pair(measured.value, coverage_factor(measured.dof, CONFIDENCE) * measured.u)
    return with_unit(f"{value} ± {expanded}", measured.unit)


def unjudged(
    suite: str,
    case: Case,
    outcome: Outcome,
    reason: str,
    robot_class: str,
    route: Route,
    reported: Collection[str] | None = None,
) -> tuple[AssertionResult, ...]:
    """Return the assertions of a case that the route would have measured, with one reason why it did not.

    A case that has no such route at all has all of its assertions unmeasured.
    """
    has_route = route is not Route.OPERATOR or case.has_person_route
    assertions = _asserted(case, route, reported) if has_route else case.assertions
    return tuple(
        not_measured(
            outcome,
            reason,
            suite=suite,
            case=case.name,
            name=assertion.measurement,
            tolerance=assertion.limits[robot_class].tolerance,
            rule=assertion.rule,
            why=assertion.limits[robot_class].why,
        )
        for assertion in assertions
    )
