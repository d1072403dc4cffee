"""From a case's evidence to its assertions: methods compute, the judge decides, this file only passes values on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from hil.errors import InternalError
from hil.judge.repeats import Looks, decide_at
from hil.measure.evidence import Evidence
from hil.measure.methods import METHODS
from hil.measure.values import CannotMeasureError, Measurement
from hil.outcomes import Outcome
from hil.results import AssertionResult, Route, judged, not_measured
from hil.spec.suite_values import AssertionSpec, Case, MeasureSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class Court:
    """What a case is judged with: the route, the robot's class, whose numbers they are, and the looks at repeats."""

    suite: str
    case: Case
    route: Route
    robot_class: str
    source: str
    looks: Looks
    done: int = 0  # repeats gone through


def judge_case(court: Court, evidence: Evidence) -> tuple[AssertionResult, ...]:
    """Measure and judge what the route can measure of a case; each measurement is computed once."""
    case = court.case
    made: dict[str, Measurement | str] = {}
    results = []
    for assertion in case.asserted(by_person=court.route is Route.OPERATOR):
        if assertion.measurement not in made:
            spec = next(measure for measure in case.measures if measure.name == assertion.measurement)
            made[assertion.measurement] = _measured(spec, evidence, court.route, court.source)
        results.append(_judged(court, assertion, made[assertion.measurement]))
    return tuple(results)


def ends_repeats(assertions: Sequence[AssertionResult], plan: Looks, done: int) -> bool:
    """Tell whether the repeats end with this look: the last is made, or every assertion is clear."""
    return plan.is_last(done) or all(one.outcome in (Outcome.PASSED, Outcome.FAILED) for one in assertions)


def unmeasured_note(case: Case, route: Route) -> tuple[str, ...]:
    """Return the note on what a case asserts and the route has no method for."""
    missing = case.unmeasured(by_person=route is Route.OPERATOR)
    return (f"Not measured by this route: {', '.join(missing)}.",) if missing else ()


def _measured(spec: MeasureSpec, evidence: Evidence, route: Route, source: str) -> Measurement | str:
    """Return the measurement, or the sentence that says why there is none."""
    by_person = route is Route.OPERATOR
    name = spec.operator_method if by_person else spec.method
    parameters = spec.operator_parameters if by_person else spec.parameters
    try:
        measurement = METHODS[name].run(evidence, parameters)
    except CannotMeasureError as error:
        return f"{str(error)[:1].upper()}{str(error)[1:]}".rstrip(".") + "."
    return _named_source(measurement, source)


def _named_source(measurement: Measurement, source: str) -> Measurement:
    """Say whose number it is: a robot's own word is `source` (the robot, or the virtual one)."""
    return replace(measurement, source=source) if measurement.source == "robot" else measurement


def _judged(court: Court, assertion: AssertionSpec, measured: Measurement | str) -> AssertionResult:
    limit = assertion.limits.get(court.robot_class)
    if limit is None:
        raise InternalError(f"the assertion on {assertion.measurement} has no tolerance for class {court.robot_class}")
    if isinstance(measured, str):
        return not_measured(
            Outcome.UNDECIDED,
            measured,
            suite=court.suite,
            case=court.case.name,
            name=assertion.measurement,
            tolerance=limit.tolerance,
            rule=assertion.rule,
            why=limit.why,
        )
    return judged(
        measured,
        decide_at(measured, limit.tolerance, assertion.rule, court.looks, court.done),
        suite=court.suite,
        case=court.case.name,
        name=assertion.measurement,
        tolerance=limit.tolerance,
        rule=assertion.rule,
        why=limit.why,
    )


def unjudged(
    suite: str, case: Case, outcome: Outcome, reason: str, robot_class: str, route: Route
) -> tuple[AssertionResult, ...]:
    """Return the assertions of a case that the route would have measured, with one reason why it did not.

    A case that has no such route at all has all of its assertions unmeasured.
    """
    by_person = route is Route.OPERATOR
    assertions = case.asserted(by_person=by_person) if case.steps(by_person=by_person) else case.assertions
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
