"""The plan of a robot with several programs: which case runs on which, what is loaded when, and what each reports."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.catalogue import Catalogue, shipped
from hil.plan import build_plan
from hil.plan.durations import LOADING_S, STARTING_S
from hil.plan.lines import plan_lines
from hil.plan.programs import reported_channels
from hil.plan.resolution import Ability
from hil.results import Route
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol, load_robot, load_suite
from hil.spec.robot_values import Program, RobotFile
from hil.spec.suite_values import DriveStep, Load, Pause, Suite
from hil.wire.dialect import Dialect

SUITES = ("straight-line", "u-turn", "front-wall-reset")


@pytest.fixture(scope="module")
def robots() -> dict[str, RobotFile]:
    return {name: load_robot(path, Catalogue()) for name, path in shipped(Kind.ROBOT).items()}


@pytest.fixture(scope="module")
def dialects() -> dict[str, Dialect]:
    return {name: load_protocol(path) for name, path in shipped(Kind.PROTOCOL).items()}


@pytest.fixture(scope="module")
def suites() -> tuple[Suite, ...]:
    return tuple(load_suite(shipped(Kind.SUITE)[name], Catalogue()) for name in SUITES)


def in_turn(suite: Suite, *jobs: str) -> Suite:
    """A suite of one case for each job, those that drive nowhere pausing."""
    case = suite.cases[0]
    still = (Pause(duration_s=1.0),)
    cases = [
        replace(case, name=f"c{index}", program=job, sequence=case.sequence if job == "driving" else still)
        for index, job in enumerate(jobs)
    ]
    return replace(suite, cases=tuple(cases))


@pytest.mark.parametrize("route", [Route.TELEMETRY, Route.OPERATOR])
@pytest.mark.parametrize("name", ["virtual", "virtual-menu", "virtual-shuttle", "virtual-prints", "virtual-logger"])
def test_the_three_suites_can_be_planned_on_every_shipped_robot_by_either_route(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], suites: tuple[Suite, ...], name: str, route: Route
) -> None:
    plan = build_plan(suites, robots[name], dialects, route=route)
    assert plan.problems == ()
    assert plan.loads == 0
    unable = [r.text for case in plan.cases for r in case.resolutions if r.ability is Ability.CANNOT]
    if route is Route.TELEMETRY:
        # What only events or duty tell cannot be had of a robot that reports none; a person can see the first.
        of_events = [text for text in unable if text.endswith("the robot does not report events")]
        of_duty = [text for text in unable if "duty" in text]
        assert len(of_events) == (1 if name == "virtual-prints" else 0)
        assert len(of_duty) == (2 if name in ("virtual-prints", "virtual-logger") else 0)
        assert len(unable) == len(of_events) + len(of_duty)


def test_cases_are_planned_with_as_few_loads_as_there_can_be_and_these_are_told(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], suites: tuple[Suite, ...]
) -> None:
    suite = in_turn(suites[0], "driving", "sensing", "driving", "sensing")
    plan = build_plan([suite], robots["virtual-prints"], dialects)
    assert [(case.case.name, case.program, case.loads) for case in plan.cases] == [
        ("c0", "run", False),
        ("c2", "run", False),
        ("c1", "sense", True),
        ("c3", "sense", False),
    ]
    lines = plan_lines(plan)
    assert "It begins with the program run loaded" in lines[:3]
    at = lines.index("Load the program sense: Load the program sense, then leave the robot switched on.")
    assert lines[at + 2].startswith("straight-line/c1: ")
    assert lines[-1].endswith(", 1 load of a program among it (1 min 0 s).")
    by_one = build_plan([in_turn(suites[0], *["driving"] * 4)], robots["virtual-prints"], dialects)
    assert plan.cases[2].person_s == pytest.approx(LOADING_S + sum(step.person_s for step in plan.cases[2].steps))
    assert by_one.loads == 0


def test_a_case_that_is_not_run_loads_nothing(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], suites: tuple[Suite, ...]
) -> None:
    suite = in_turn(suites[0], "driving", "sensing")
    silent = replace(suite, cases=(suite.cases[0], replace(suite.cases[1], operator_sequence=())))
    assert build_plan([silent], robots["virtual-prints"], dialects, route=Route.OPERATOR).loads == 0


def test_drives_on_a_program_that_only_senses_are_a_problem(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], suites: tuple[Suite, ...]
) -> None:
    suite = replace(suites[0], cases=(replace(suites[0].cases[0], program="sense"),))
    assert build_plan([suite], robots["virtual-prints"], dialects).problems == (
        "straight-line/blind-legs: the program 'sense' cannot drive; it is for sensing",
    )


def test_a_step_that_loads_what_the_robot_has_not_is_a_problem(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], suites: tuple[Suite, ...]
) -> None:
    case = suites[0].cases[0]
    suite = replace(suites[0], cases=(replace(case, setup=(*case.setup, Load(program="sens"))),))
    (problem,) = build_plan([suite], robots["virtual-prints"], dialects).problems
    assert problem == (
        "straight-line/blind-legs: the robot virtual-prints has no program 'sens' (did you mean sense?); "
        "it has run, sense"
    )


@pytest.mark.parametrize(
    ("name", "problem"),
    [
        ("virtual-prints", "the protocol plain-prints has no block message 'log' (it has none)"),
        ("virtual-menu", "the program 'main' is driven by command, which needs it"),
        ("virtual-shuttle", "the program 'main' is driven by goal, which needs it"),
    ],
)
def test_a_case_without_the_cable_on_a_robot_that_needs_it_or_keeps_no_log_is_a_problem(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], name: str, problem: str
) -> None:
    suite = load_suite(shipped(Kind.SUITE)["untethered"], Catalogue())
    (found,) = build_plan([suite], robots[name], dialects).problems
    assert found.startswith("untethered/without-cable: ")
    assert problem in found


def test_a_robot_started_by_button_with_a_log_can_be_planned_without_the_cable(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect]
) -> None:
    suite = load_suite(shipped(Kind.SUITE)["untethered"], Catalogue())
    assert build_plan([suite], robots["virtual-logger"], dialects).problems == ()


def test_without_a_cable_only_the_log_tells_of_a_drive(dialects: dict[str, Dialect]) -> None:
    program = Program(name="main", protocol="letter-menu", cable=False)
    logged = reported_channels(program, dialects["letter-menu"])
    assert {"encoder.left", "wall.left.dark", "events"} <= logged
    assert "supply.battery" not in logged
    assert "supply.battery" in reported_channels(replace(program, cable=True), dialects["letter-menu"])
    assert reported_channels(program, dialects["plain-prints"]) == frozenset()


@pytest.mark.parametrize(
    ("name", "manner"),
    [
        ("virtual", []),
        ("virtual-shuttle", ["Drives are steered by the robot's maze logic, which is given one cell after another"]),
        ("virtual-prints", ["Drives are started by the person, with the robot's button"]),
        (
            "virtual-logger",
            [
                "Drives are started by the person, with the robot's button",
                "Drives are without the cable; what the robot kept of them is collected afterwards",
            ],
        ),
    ],
)
def test_the_plan_says_how_the_robot_is_made_to_drive(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], suites: tuple[Suite, ...], name: str, manner: list[str]
) -> None:
    lines = plan_lines(build_plan(suites[:1], robots[name], dialects))
    assert [line for line in lines if line.startswith("Drives ")] == manner


def test_a_person_who_starts_the_drives_is_planned_for_every_one_of_them(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], suites: tuple[Suite, ...]
) -> None:
    by_cable, by_button = (build_plan(suites[:1], robots[name], dialects) for name in ("virtual", "virtual-prints"))
    drives = sum(step.step.times for case in by_cable.cases for step in case.steps if isinstance(step.step, DriveStep))
    assert drives > 10
    assert by_button.person_s - by_cable.person_s == pytest.approx(drives * STARTING_S)
