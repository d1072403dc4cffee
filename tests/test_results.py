"""Results as values: outcomes follow from what they hold, and dishonest values cannot be built."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from hil.engine.assertion_results import judged, not_measured
from hil.judge.decision import decide
from hil.judge.tolerance import parse_tolerance
from hil.judge.verdict import Rule
from hil.measure.values import Measurement
from hil.outcomes import Outcome
from hil.results import (
    AssertionResult,
    CaseResult,
    Limits,
    RobotUnderTest,
    Route,
    RunResult,
    SuiteResult,
)

LIMITS = Limits(text="0 ± 5 mm", lower=-5, upper=5)


def assertion(outcome):
    return AssertionResult(
        suite="s", case="c", measurement="m", unit="mm", tolerance=LIMITS, rule=Rule.SIMPLE, outcome=outcome, reason="."
    )


def run(*outcomes, **more):
    case = CaseResult(name="c", title="C", assertions=tuple(map(assertion, outcomes)))
    return RunResult(
        run_id="r",
        started=datetime(2026, 1, 1, tzinfo=UTC),
        tool_version="0",
        robot=RobotUnderTest(name="a", serial="1", robot_class="entry", is_virtual=False),
        route=Route.TELEMETRY,
        suites=(SuiteResult(name="s", title="S", cases=(case,)),),
        **more,
    )


@pytest.mark.parametrize(
    ("outcomes", "status"),
    [
        (["passed", "passed"], 0),
        (["passed", "failed"], 1),
        (["failed", "error"], 3),
        (["passed", "undecided"], 4),
        (["passed", "skipped"], 4),
        (["undecided", "failed"], 1),
        ([], 4),
    ],
)
def test_the_exit_status_follows_from_the_worst(outcomes, status):
    assert run(*map(Outcome, outcomes)).exit_status == status


def test_an_interrupted_run_has_its_own_status_and_is_not_passed():
    interrupted = run(Outcome.PASSED, is_interrupted=True)
    assert interrupted.exit_status == 130
    assert interrupted.outcome is Outcome.SKIPPED


def test_what_befell_a_run_counts_beside_its_suites():
    stopped = run(Outcome.PASSED, trouble=Outcome.ERROR, reason="The port went away.")
    assert (stopped.outcome, stopped.exit_status) == (Outcome.ERROR, 3)
    assert stopped.tally()[Outcome.ERROR] == 1


def test_faults_of_a_real_robot_cannot_be_written_down():
    with pytest.raises(ValueError, match="only the virtual robot"):
        run(Outcome.PASSED, faults=("wheel-mismatch=1 %",))


def test_trouble_needs_a_reason_and_is_never_the_robots_failure():
    with pytest.raises(ValueError, match="needs a reason"):
        CaseResult(name="c", title="C", trouble=Outcome.SKIPPED)
    with pytest.raises(ValueError, match="comes of assertions only"):
        CaseResult(name="c", title="C", trouble=Outcome.FAILED, reason="x")


def test_an_outcome_needs_a_reason_and_numbers_are_numbers():
    with pytest.raises(ValueError, match="needs a reason"):
        replace(assertion(Outcome.PASSED), reason="")
    with pytest.raises(ValueError, match="what was not measured is None"):
        replace(assertion(Outcome.PASSED), value=math.nan)


def test_what_was_not_measured_can_neither_pass_nor_fail():
    words = {"suite": "s", "case": "c", "name": "m", "rule": Rule.SIMPLE}
    tolerance = parse_tolerance("0 ± 5 mm", "mm")
    for outcome in (Outcome.PASSED, Outcome.FAILED):
        with pytest.raises(ValueError, match="was not measured"):
            not_measured(outcome, "Because.", tolerance=tolerance, **words)
    assert not_measured(Outcome.SKIPPED, "No counts.", tolerance=tolerance, **words).value is None


@pytest.mark.parametrize(
    "measured",
    [
        Measurement(value=math.nan, unit="mm", u=1),
        Measurement(value=1, unit="mm", u=math.inf),
        Measurement(value=1, unit="mm", u=1, dof=math.nan),
        Measurement(value=1, unit="mm", u=1, dof=0.01),
    ],
)
def test_a_measurement_that_is_no_number_becomes_an_honest_undecided(measured):
    tolerance = parse_tolerance("0 ± 5 mm", "mm")
    decision = decide(measured, tolerance, Rule.SIMPLE)
    result = judged(measured, decision, suite="s", case="c", name="m", tolerance=tolerance, rule=Rule.SIMPLE)
    assert result.outcome is Outcome.UNDECIDED
