"""The plan: poses, boards, times, the person's part, what stands against it, and what can be resolved."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from hil.catalogue import Catalogue, shipped
from hil.measure.model import CellPose, ElementKind, Heading, PathElement
from hil.plan import Plan, build_plan, case_time_s, drive_time_s, suites_time_s
from hil.plan.design import design_of
from hil.plan.durations import profile_time_s
from hil.plan.lines import duration, plan_lines
from hil.plan.resolution import Ability, Resolution, count_mm
from hil.results import Route
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol, load_robot, load_suite
from hil.spec.robot_values import RobotFile
from hil.spec.suite_values import DriveStep, Suite
from hil.wire.dialect import Dialect

SUITES = ("straight-line", "u-turn", "front-wall-reset")


@pytest.fixture(scope="module")
def suites() -> tuple[Suite, ...]:
    catalogue = Catalogue()
    return tuple(load_suite(shipped(Kind.SUITE)[name], catalogue) for name in SUITES)


@pytest.fixture(scope="module")
def robot() -> RobotFile:
    return load_robot(shipped(Kind.ROBOT)["virtual"])


@pytest.fixture(scope="module")
def dialects() -> dict[str, Dialect]:
    return {"tagged-lines": load_protocol(shipped(Kind.PROTOCOL)["tagged-lines"])}


@pytest.fixture(scope="module")
def plan(suites: tuple[Suite, ...], robot: RobotFile, dialects: dict[str, Dialect]) -> Plan:
    return build_plan(suites, robot, dialects)


def found(plan: Plan, name: str) -> Resolution:
    return next(r for case in plan.cases for r in case.resolutions if r.measurement == name)


def with_counts(robot: RobotFile, counts: float) -> RobotFile:
    return replace(robot, robot=replace(robot.robot, counts_per_turn=counts))


def test_a_straight_takes_distance_over_speed_and_one_ramp_more() -> None:
    """Trapezoid of speed from rest to rest: L/v + v/a; triangle below v^2/a: 2 sqrt(L/a). Textbook."""
    assert profile_time_s(180.0, 300.0, 2000.0) == pytest.approx(0.6 + 0.15)
    assert profile_time_s(45.0, 300.0, 2000.0) == pytest.approx(0.3)
    assert profile_time_s(20.0, 300.0, 2000.0) == pytest.approx(2 * math.sqrt(0.01))


def test_straights_that_follow_each_other_are_driven_as_one() -> None:
    ahead = PathElement(kind=ElementKind.AHEAD, cells=1, tracking="both")
    blind = PathElement(kind=ElementKind.AHEAD, cells=2)
    joined = PathElement(kind=ElementKind.AHEAD, cells=3)
    assert drive_time_s((ahead, blind), 180.0, 300.0) == drive_time_s((joined,), 180.0, 300.0)
    turn = PathElement(kind=ElementKind.LEFT)
    assert drive_time_s((ahead, turn, blind), 180.0, 300.0) > drive_time_s((joined,), 180.0, 300.0) + 0.2


def test_the_pose_is_followed_through_every_step(plan: Plan) -> None:
    laps = next(case for case in plan.cases if case.case.name == "laps")
    there, back = (step for step in laps.sequence if isinstance(step.step, DriveStep))
    assert (there.before, there.after) == (
        CellPose(x=0, y=0, heading=Heading.NORTH),
        CellPose(x=1, y=0, heading=Heading.NORTH),
    )
    assert back.after == there.before


def test_boards_lie_from_the_step_that_lays_them_to_the_step_that_takes_them_off(plan: Plan) -> None:
    boards = next(case for case in plan.cases if case.case.name == "boards")
    lying = [step.boards for step in boards.sequence if isinstance(step.step, DriveStep)]
    assert [dict(each) for each in lying] == [{}, {((0, 3), Heading.NORTH): 5.0}, {((0, 3), Heading.NORTH): 10.0}]
    assert boards.board_moves == 4
    assert boards.placements == 1


def test_the_plan_keeps_the_order_of_suites_and_cases_and_builds_each_course_once(plan: Plan) -> None:
    assert [case.suite for case in plan.cases if case.builds_course] == [
        "straight-line",
        "u-turn",
        "front-wall-reset",
        "front-wall-reset",
    ]
    assert plan.problems == ()


def test_the_sum_of_the_plan_is_what_the_progress_is_measured_by(plan: Plan, suites: tuple[Suite, ...]) -> None:
    assert plan.robot_s == pytest.approx(suites_time_s(suites, by_person=False))
    assert plan.robot_s == pytest.approx(sum(case_time_s(c.case, by_person=False) for c in plan.cases))


def test_every_assertion_of_the_shipped_suites_can_be_decided_on_the_shipped_robot(plan: Plan) -> None:
    unable = [r.text for case in plan.cases for r in case.resolutions if r.ability is Ability.CANNOT]
    assert unable == []


def test_a_turn_is_told_with_what_one_count_leaves_open(plan: Plan) -> None:
    text = found(plan, "turn_error").text
    assert text.startswith("turn_error: resolves about 0.")
    assert "counts 0.16 deg" in text
    assert text.endswith("tolerance 0 ± 2 deg: can be decided")


@pytest.mark.parametrize(
    ("counts", "q_mm", "deg"), [(24, 3.67, 3.0), (40, 2.20, 1.8), (120, 0.73, 0.6), (360, 0.24, 0.20)]
)
def test_counts_have_the_sizes_of_the_common_table(robot: RobotFile, counts: int, q_mm: float, deg: float) -> None:
    """Wheel of 28 mm, base of 70 mm: pi D / N and q / b, as tabulated for usual encoders (derived)."""
    q = count_mm(with_counts(robot, counts).robot)
    assert q == pytest.approx(q_mm, abs=0.006)
    assert math.degrees(q / 70) == pytest.approx(deg, rel=0.02)


def test_an_encoder_too_coarse_for_the_tolerance_is_told_before_anything_is_driven(
    suites: tuple[Suite, ...], robot: RobotFile, dialects: dict[str, Dialect]
) -> None:
    """Counts of 2.2 mm cannot show a turn within 0.7 deg (common practice of the trade)."""
    coarse = build_plan(suites, with_counts(robot, 40), dialects, robot_class="fast")
    assert found(coarse, "turn_error").ability is Ability.CANNOT
    assert "cannot be decided: it would take 0.35 deg or finer" in found(coarse, "turn_error").text
    fine = build_plan(suites, with_counts(robot, 4096), dialects, robot_class="entry")
    assert found(fine, "turn_error").ability is Ability.CAN


def test_more_repeats_resolve_more_but_never_less_than_a_count(
    suites: tuple[Suite, ...], robot: RobotFile, dialects: dict[str, Dialect]
) -> None:
    def with_times(times: int) -> Suite:
        suite = suites[0]
        case = suite.cases[0]
        steps = tuple(replace(s, times=times) if isinstance(s, DriveStep) else s for s in case.sequence)
        return replace(suite, cases=(replace(case, sequence=steps),))

    few, many = (found(build_plan([with_times(times)], robot, dialects), "wheel_mismatch").u for times in (2, 50))
    assert few is not None
    assert many is not None
    assert few / many == pytest.approx(5.0)
    turn = [found(build_plan(suites, with_counts(robot, n), dialects), "half_turn_error") for n in (360, 36)]
    assert turn[1].parts["counts"] == pytest.approx(10 * turn[0].parts["counts"])


def test_a_spread_of_fewer_than_ten_cannot_be_judged(
    suites: tuple[Suite, ...], robot: RobotFile, dialects: dict[str, Dialect]
) -> None:
    case = suites[0].case("tracked-legs")
    assert case is not None
    short = tuple(replace(step, times=2) if isinstance(step, DriveStep) else step for step in case.sequence)
    suite = replace(suites[0], cases=(replace(case, sequence=short),))
    text = found(build_plan([suite], robot, dialects), "half_turn_spread").text
    assert text.endswith("cannot be decided: a spread needs 10 repeats and there are 4")


def test_what_the_protocol_does_not_report_cannot_be_measured(
    suites: tuple[Suite, ...], robot: RobotFile, dialects: dict[str, Dialect]
) -> None:
    silent = {name: replace(dialect, messages=()) for name, dialect in dialects.items()}
    result = found(build_plan(suites, robot, silent), "offset_right_wall")
    assert result.ability is Ability.CANNOT
    assert "the robot does not report" in result.text
    assert "wall.left" in result.text


def test_zero_of_ten_shows_a_rate_below_26_percent(plan: Plan) -> None:
    """1 - 0.05^(1/10) = 0.259: ten runs without a failure show a reliability of 74 % (exact binomial)."""
    assert "none in 10 drives shows a rate below 26 %" in found(plan, "false_resets").text


def test_what_the_robot_cannot_run_is_a_problem_and_says_why(
    suites: tuple[Suite, ...], robot: RobotFile, dialects: dict[str, Dialect]
) -> None:
    main = robot.programs["main"]
    reading = replace(robot, programs={"probe": replace(main, name="probe", can=("sensing",))})
    assert build_plan(suites, reading, dialects).problems[0] == (
        "straight-line/blind-legs: the robot virtual has no program for driving; it has probe (sensing)"
    )
    renamed = [replace(suites[0], cases=(replace(suites[0].cases[0], program="mian"),))]
    assert build_plan(renamed, robot, dialects).problems == (
        "straight-line/blind-legs: the robot virtual has no program 'mian' (did you mean main?); it has main",
    )
    silent = {name: replace(dialect, messages=()) for name, dialect in dialects.items()}
    assert build_plan(suites, robot, silent).problems[0] == (
        "straight-line/blind-legs: the program 'main' reports no wheel counts while it drives; "
        "plan it with the operator's route"
    )
    mute = {name: replace(dialect, commands={}) for name, dialect in dialects.items()}
    assert "has no command 'drive'" in build_plan(suites, robot, mute).problems[0]


def test_the_lines_name_every_case_step_and_assertion(plan: Plan) -> None:
    lines = plan_lines(plan)
    text = "\n".join(lines)
    assert lines[0] == "Plan for the robot virtual (V-0001), class entry, measured by telemetry"
    for case in plan.cases:
        assert f"{case.suite}/{case.case.name}: {case.case.title}" in lines
        for result in case.resolutions:
            assert f"  - {result.text}" in lines
    assert "only while 3 blind cells leave 10 mm of clearance" in text
    assert all(line == line.rstrip() for line in lines)


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0 s"), (0.2, "1 s"), (59.6, "1 min 0 s"), (125, "2 min 5 s"), (4200, "1 h 10 min")]
)
def test_times_are_said_as_a_person_says_them(seconds: float, text: str) -> None:
    assert duration(seconds) == text


OPERATOR = """\
suite: hand
title: By hand
why: to see the operator's part
course: corridor-six
cases:
  a:
    title: A
    repeat: 5
    setup: [{place: {at: start}}]
    sequence: [{drive: {path: ahead 3 blind, as: out}}, {place: {at: start}}]
    operator_sequence:
      - place: {at: start}
      - drive: {path: ahead 3 blind, as: out}
      - observe: {what: offset, as: offset, prompt: How far from the middle?}
      - observe: {what: angle, as: angle, prompt: How askew?}
    measure:
      mismatch:
        {method: straight.wheel_mismatch, of: out, operator_method: observation.wheel_mismatch, operator_of: out}
    assert: [{measurement: mismatch, tolerance: 0 ± 0.5 %, why: because}]
"""


def test_the_operators_part_is_counted_and_the_ruler_resolves_what_a_ruler_can(
    tmp_path: Path, robot: RobotFile, dialects: dict[str, Dialect]
) -> None:
    path = tmp_path / "hand.suite.yaml"
    path.write_text(OPERATOR, encoding="utf-8")
    suite = load_suite(path, Catalogue(tmp_path))
    plan = build_plan([suite], robot, dialects, route=Route.OPERATOR)
    (case,) = plan.cases
    assert (case.placements, case.readings, case.board_moves) == (6, 10, 0)
    assert case.person_s > case.robot_s
    result = found(plan, "mismatch")
    # y = eps L^2 / (2 b): 0.5 mm on 540 mm is 0.024 %; two readings, five rounds.
    assert result.parts["ruler"] == pytest.approx(100 * 2 * 70 * 0.5 / 540**2 * math.sqrt(2 / 5), rel=1e-6)
    assert design_of(case.case, robot.robot, ("out",), by_person=True).curve_mm == 540.0


def test_the_operators_rounds_are_planned_and_what_they_do_not_measure_is_said(
    tmp_path: Path, robot: RobotFile, dialects: dict[str, Dialect]
) -> None:
    path = tmp_path / "hand.suite.yaml"
    text = OPERATOR.replace("    operator_sequence:", "    operator_repeat: 2\n    operator_sequence:")
    text = text.replace("    measure:\n", "    measure:\n      bow: {method: straight.course_bow, of: out}\n")
    text = text.replace("because}]", "because}, {measurement: bow, tolerance: 0 ± 1 1/m, why: because}]")
    path.write_text(text, encoding="utf-8")
    suite = load_suite(path, Catalogue(tmp_path))
    plan = build_plan([suite], robot, dialects, route=Route.OPERATOR)
    assert (plan.cases[0].placements, plan.cases[0].readings) == (3, 4)
    assert [one.measurement for one in plan.cases[0].resolutions] == ["mismatch"]
    lines = plan_lines(plan)
    assert "  then 2 times:" in lines
    assert "  - not measured by this route: bow" in lines
    by_telemetry = build_plan([suite], robot, dialects)
    assert len(by_telemetry.cases[0].resolutions) == 2
    assert not any("not measured by this route" in line for line in plan_lines(by_telemetry))


def test_a_coarse_square_resolves_no_small_spread(robot: RobotFile, dialects: dict[str, Dialect]) -> None:
    suite = load_suite(Catalogue().find(Kind.SUITE, "u-turn"), Catalogue())
    entry = build_plan([suite], robot, dialects, route=Route.OPERATOR)
    fast = build_plan([suite], robot, dialects, route=Route.OPERATOR, robot_class="fast")
    assert found(entry, "turn_spread").ability is Ability.CAN  # 1 deg by a square of 0.4 deg
    assert found(fast, "turn_spread").ability is Ability.CANNOT  # 0.4 deg


def test_a_case_without_an_operators_sequence_is_not_run_by_the_operator(
    tmp_path: Path, robot: RobotFile, dialects: dict[str, Dialect]
) -> None:
    begin, rest = OPERATOR.split("    operator_sequence:\n")
    path = tmp_path / "hand.suite.yaml"
    measure = rest[rest.index("    measure:") :].replace(
        ", operator_method: observation.wheel_mismatch, operator_of: out", ""
    )
    path.write_text(begin + measure, encoding="utf-8")
    plan = build_plan([load_suite(path, Catalogue(tmp_path))], robot, dialects, route=Route.OPERATOR)
    assert plan.robot_s == 0.0
    assert "  not run: the case has no sequence for the operator" in plan_lines(plan)
