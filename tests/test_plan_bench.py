"""The plan of a bench: how long its steps take robot and person, in which words, and what stands against them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hil.catalogue import Catalogue, shipped
from hil.plan import build_plan
from hil.plan.bench_problems import heat_of_resistors, leave_out, why_not_on_bench
from hil.plan.durations import DUMPING_S, RESTING_S, SETTING_S
from hil.plan.lines import plan_lines
from hil.plan.programs import reported_in
from hil.plan.rounds import rounds_of, surfaces_of
from hil.results import Route
from hil.spec.bench_values import HandTurn, Jig, LoadResistor, Spin, Taken
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol, load_robot, load_suite
from hil.spec.robot_values import RobotFile
from hil.spec.suite_values import Pause, Step, Suite
from hil.wire.dialect import Dialect

TEXT = """\
suite: s
title: S
why: to test
course: corridor-six
surfaces: [white, grey]
cases:
  boards:
    title: Boards
    program: sensing
    repeat: {over: surfaces}
    setup: [{stand: {}}, {lamps: off}]
    sequence:
      - jig: {sensors: [wall.left, wall.right], distances: [49 mm, 59 mm, none], surface: each, as: boards}
      - pause: {for: 2 s, as: alone, emitter: wall.left}
    measure:
      noise: {method: walls.noise, of: boards}
      wheels: {method: encoder.duty, of: alone}
    assert:
      - {measurement: noise, tolerance: <= 2 %, why: steady}
"""


@pytest.fixture(scope="module")
def robots() -> dict[str, RobotFile]:
    return {name: load_robot(path, Catalogue()) for name, path in shipped(Kind.ROBOT).items()}


@pytest.fixture(scope="module")
def dialects() -> dict[str, Dialect]:
    return {name: load_protocol(path) for name, path in shipped(Kind.PROTOCOL).items()}


@pytest.fixture
def suite(tmp_path: Path) -> Suite:
    path = tmp_path / "s.suite.yaml"
    path.write_text(TEXT, encoding="utf-8")
    return load_suite(path, Catalogue(tmp_path))


def test_boards_of_every_round_cost_the_person_and_the_readings_the_robot(
    suite: Suite, robots: dict[str, RobotFile], dialects: dict[str, Dialect]
) -> None:
    plan = build_plan([suite], robots["virtual"], dialects)
    [case] = plan.cases
    # Two sensors at three places on two surfaces, half a second each, and a pause of 2 s a round.
    assert case.robot_s == pytest.approx(2 * (2 * 3 * 0.5 + 2.0))
    assert case.board_moves == 2 * 2 * 3
    boards = [step for step in case.steps if isinstance(step.step, Jig)]
    assert sum(step.person_s for step in boards) == pytest.approx(2 * 2 * 3 * (SETTING_S + 0.5))
    assert plan.problems == ()


def test_a_recording_is_sent_after_its_spin(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], suite: Suite
) -> None:
    spin = Spin(left=0.3, right=0.3, duration_s=3.0, name="slow", settle_s=0.5, takes=Taken.EDGES)
    case = replace(suite.cases[0], sequence=(spin,), measures=(), assertions=())
    [planned] = build_plan([replace(suite, cases=(case.on_surfaces(("white",)),))], robots["virtual"], dialects).cases
    assert planned.robot_s == pytest.approx(3.5 + RESTING_S + DUMPING_S)


def test_the_plan_says_each_step_and_on_which_surfaces(
    suite: Suite, robots: dict[str, RobotFile], dialects: dict[str, Dialect]
) -> None:
    text = "\n".join(plan_lines(build_plan([suite], robots["virtual"], dialects)))
    for words in (
        "1. put the robot on the stand, wheels free",
        "2. switch the lamps off",
        "then once on each surface: white, grey:",
        "3. read wall.left, wall.right before a board of the round's surface at 49, 59 mm and without it as boards",
        "4. pause for 2 s, firing the emitter of wall.left alone as alone",
    ):
        assert words in text


def test_rounds_over_surfaces_carry_theirs_by_every_route(suite: Suite) -> None:
    case = suite.cases[0]
    both = replace(case, operator_sequence=case.sequence, operator_repeat=case.repeat)
    assert [one.surface for one in rounds_of(case, Route.TELEMETRY)] == ["white", "grey"]
    assert [(one.by_person, one.surface) for one in rounds_of(both, Route.BOTH)] == [
        (False, "white"), (False, "grey"), (True, "white"), (True, "grey"),
    ]  # fmt: skip
    assert surfaces_of(case, Route.TELEMETRY, 1) == ("white",)


@pytest.mark.parametrize(
    ("protocol", "step", "sentence"),
    [
        (
            "letter-menu", Spin(left=0.3, right=0.3, duration_s=3.0, name="slow", takes=Taken.EDGES),
            ("'slow' takes down the edges of the encoders, and the protocol letter-menu has no command 'record.edges' "
            "and no block message 'edges'"),
        ),
        (
            "plain-readings", Spin(left=0.3, right=0.3, duration_s=3.0, name="slow", takes=Taken.TICKS),
            ("the protocol plain-readings has no command 'spin', so that a person presses a button for 'slow', and "
            "nobody knows then when periods of the loop are taken down"),
        ),
        (
            "plain-readings", Pause(duration_s=1.0, name="alone", emitter="wall.left"),
            "'alone' fires one emitter alone, and the protocol plain-readings has no command 'emit'",
        ),
        (
            "plain-prints", HandTurn(wheel="left", turns=12, name="turned"),
            "'turned' takes the encoders' outputs as sampled, and the protocol plain-prints has no message with them",
        ),
        (
            "tagged-lines", Pause(duration_s=1.0, name="held", provocation="flash-wite"),
            ("the protocol tagged-lines knows no provocation 'flash-wite' (did you mean flash write?); it knows log "
            "flush, flash write, screen, map flood, radio, all sensors"),
        ),
        (
            "tagged-lines", Jig(sensors=("wall.front.left",), distances_mm=(49.0,), name="boards"),
            "the robot virtual has no sensor wall.front.left; it has wall.left, wall.right, wall.front",
        ),
        ("tagged-lines", Pause(duration_s=1.0, name="held", takes=Taken.TICKS, provocation="flash-write"), ""),
        ("plain-readings", Spin(left=0.3, right=0.3, duration_s=3.0, name="slow"), ""),
        ("plain-readings", Jig(sensors=("wall.left",), distances_mm=(49.0,), name="boards"), ""),
    ],
)  # fmt: skip
def test_what_a_protocol_or_robot_lacks_is_said_before_anything_moves(
    robots: dict[str, RobotFile], dialects: dict[str, Dialect], protocol: str, step: Step, sentence: str
) -> None:
    assert why_not_on_bench([step], robots["virtual"].robot, dialects[protocol]) == sentence


@pytest.mark.parametrize(
    ("ohm", "sentence", "is_too_hot"),
    [
        # P = V^2/R, textbook, at two full lithium cells: 8.4 V.
        (10.0, "a resistor of 10 ohm across a full battery of 8.4 V must stand 7.1 W", False),
        (1.0, ("a resistor of 1 ohm across a full battery of 8.4 V must stand 70.6 W, more than 20 W; "
               "take a larger resistor"), True),
    ],
)  # fmt: skip
def test_a_load_resistor_is_told_what_it_must_stand(
    robots: dict[str, RobotFile], ohm: float, sentence: str, is_too_hot: bool
) -> None:
    steps = [LoadResistor(ohm=ohm), LoadResistor(ohm=None), LoadResistor(ohm=ohm)]
    robot = robots["virtual"].robot
    assert heat_of_resistors(steps, robot) == [(sentence, is_too_hot)]
    assert heat_of_resistors(steps, replace(robot, supply=None)) == []


def test_what_the_robot_file_does_not_say_is_said_and_stops_no_case(
    suite: Suite, robots: dict[str, RobotFile], dialects: dict[str, Dialect]
) -> None:
    bare = replace(robots["virtual"], robot=replace(robots["virtual"].robot, encoder=None))
    plan = build_plan([suite], bare, dialects)
    assert plan.problems == (
        "s/boards: the file of the robot virtual does not say what encoders it has (encoder: {channels: 2, …})",
    )
    assert why_not_on_bench(suite.cases[0].sequence, bare.robot, dialects["tagged-lines"]) == ""


def test_a_robot_that_drives_without_its_cable_reports_over_it_where_nothing_drives(
    suite: Suite, robots: dict[str, RobotFile], dialects: dict[str, Dialect]
) -> None:
    program, dialect = robots["virtual-logger"].programs["main"], dialects["letter-menu"]
    assert "encoder.left.levels" in reported_in(suite.cases[0], program, dialect, robots["virtual-logger"].robot)
    driven = load_suite(shipped(Kind.SUITE)["straight-line"], Catalogue()).cases[0]
    assert "encoder.left.levels" not in reported_in(driven, program, dialect, robots["virtual-logger"].robot)


def test_a_case_about_what_a_robot_has_not_is_left_out_and_said(robots: dict[str, RobotFile]) -> None:
    supply = load_suite(shipped(Kind.SUITE)["supply"], Catalogue())
    [left], told = leave_out([supply], robots["virtual"].robot)
    assert [case.name for case in left.cases] == ["battery", "resistance"]
    assert len(told) == 1
    assert told[0].startswith("supply/rail is left out: the robot file says of no motor rail")
    assert leave_out([supply], robots["virtual-block"].robot) == ((supply,), ())


def test_a_case_about_what_a_robot_has_not_stays_where_nothing_else_would_or_another_needs_it(
    robots: dict[str, RobotFile],
) -> None:
    robot = robots["virtual"].robot
    supply = load_suite(shipped(Kind.SUITE)["supply"], Catalogue())
    battery, _, rail = supply.cases
    alone = replace(supply, cases=(rail,))
    assert leave_out([alone], robot) == ((alone,), ())  # it is skipped, and the run shows nothing
    needed = replace(supply, cases=(rail, replace(battery, needs=("rail",))))
    assert leave_out([needed], robot) == ((needed,), ())
