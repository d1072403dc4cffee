"""Two runs to draw: one of the virtual robot with all five outcomes, one of a real robot in which all is well."""

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
    Environment,
    LineCounts,
    RobotUnderTest,
    Route,
    RunResult,
    SuiteResult,
    TraceFile,
)

VIRTUAL = RobotUnderTest(name="virtual", serial="V-0001", robot_class="entry", is_virtual=True)
REAL = RobotUnderTest(name="Grey", serial="7", robot_class="fast", is_virtual=False)
STARTED = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


def assertion(case: str, name: str, measured: Measurement, text: str, **more: str) -> AssertionResult:
    tolerance = parse_tolerance(text, measured.unit)
    decision = decide(measured, tolerance, Rule.GUARDED)
    return judged(
        measured,
        decision,
        suite="straight-line",
        case=case,
        name=name,
        tolerance=tolerance,
        rule=Rule.GUARDED,
        **more,
    )


def cases() -> tuple[CaseResult, ...]:
    legs = (
        assertion(
            "blind-legs",
            "wheel_mismatch",
            Measurement(value=0.0312, unit="%", u=0.021, dof=22.4, n=16, notes=("Two legs were left out.",)),
            "0 ± 0.5 %",
            why="A robot of 80 mm with 10 mm in reserve carries three cells.",
        ),
        assertion("blind-legs", "lateral_offset", Measurement(value=7.4, unit="mm", u=0.3, dof=8, n=9), "0 ± 5 mm"),
        assertion("blind-legs", "start_heading", Measurement(value=0.4, unit="deg", u=0.8, dof=8, n=9), "0 ± 2 deg"),
    )
    spread = Measurement(value=0.4, unit="deg", u=0.1, n=12, dof=11, is_spread=True)
    half_turns = (
        assertion("half-turns", "half_turn_spread", spread, "<= 1.5 deg"),
        assertion("half-turns", "contacts", Measurement(value=0, unit="", u=0, n=10, is_count=True), "= 0"),
        not_measured(
            Outcome.UNDECIDED,
            "Only one half turn could be read.",
            suite="straight-line",
            case="half-turns",
            name="half_turn_error",
            tolerance=parse_tolerance("0 ± 3 deg", "deg"),
            rule=Rule.GUARDED,
        ),
    )
    return (
        CaseResult(
            name="blind-legs", title="Straights", assertions=legs, repeats=8, robot_s=100, wall_s=3.2, notes=("A | b.",)
        ),
        CaseResult(name="half-turns", title="Half turns", assertions=half_turns, robot_s=80, wall_s=2.0),
        CaseResult(name="longer", title="Longer", trouble=Outcome.SKIPPED, reason="The clearance was below 10 mm."),
        CaseResult(name="lost", title="Lost", trouble=Outcome.ERROR, reason="The port went away \x1b[31mnow\x1b[0m."),
    )


@pytest.fixture
def virtual_run() -> RunResult:
    return RunResult(
        run_id="2026-01-02-030405",
        started=STARTED,
        tool_version="0.1.0",
        robot=VIRTUAL,
        route=Route.TELEMETRY,
        faults=("wheel-mismatch=0.25 %", "lost-bytes=0.1 %"),
        seed=7,
        suites=(SuiteResult(name="straight-line", title="Straight run, back and forth", cases=cases()),),
        trace=TraceFile(file="trace.sqlite", sha256="ab" * 32),
        robot_s=180.0,
        wall_s=5.4,
        lines=(LineCounts(port="main", good=10000, bad=1, lost=2),),
        environment=Environment(temperature_c=21.5, floor_friction=0.4),
        notes=("The robot says <b>hello</b> & 'goodbye'\x00\x07.",),
    )


@pytest.fixture
def real_run() -> RunResult:
    good = assertion("blind-legs", "leg_distance", Measurement(value=0.5, unit="mm", u=0.2, n=6, dof=5), "0 ± 5 mm")
    case = CaseResult(name="blind-legs", title="Straights", assertions=(good,), wall_s=60.0)
    return RunResult(
        run_id="2026-01-02-030406",
        started=STARTED,
        tool_version="0.1.0",
        robot=REAL,
        route=Route.OPERATOR,
        suites=(SuiteResult(name="straight-line", title="Straight run", cases=(case,)),),
        wall_s=61.0,
    )
