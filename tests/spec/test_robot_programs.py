"""The programs of robot files: how they are loaded, driven and stopped, held against their protocols."""

# ruff: noqa: E501  (the sentences stand as the user sees them, each on a line)

from __future__ import annotations

from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.spec.kinds import Kind
from hil.spec.robot_values import Choice, Drives, StopBy

from .changed_files import robot_of, sentences

SHIPPED = {name: path.read_text(encoding="utf-8") for name, path in shipped(Kind.ROBOT).items()}


def test_a_robot_of_every_kind_of_driving_is_shipped(tmp_path: Path) -> None:
    driven = {name: robot_of(tmp_path, text).program_for("driving") for name, text in SHIPPED.items()}
    assert {name: (program.drives_by, program.cable) for name, program in driven.items() if program} == {
        "virtual": (Drives.COMMAND, True),
        "virtual-block": (Drives.COMMAND, True),
        "virtual-menu": (Drives.COMMAND, True),
        "virtual-shuttle": (Drives.GOAL, True),
        "virtual-prints": (Drives.OPERATOR, True),
        "virtual-logger": (Drives.OPERATOR, False),
    }


def test_the_shipped_robots_are_one_robot_but_for_name_number_and_talk(tmp_path: Path) -> None:
    files = {name: robot_of(tmp_path, text) for name, text in SHIPPED.items()}
    assert all(file.virtual for file in files.values())
    assert len({file.robot.serial for file in files.values()}) == len(files)
    sizes = {
        (r.body_width_mm, r.wheel_base_mm, r.wheel_diameter_left_mm, r.counts_per_turn, r.sensors, r.front_stop_mm)
        for r in (file.robot for file in files.values())
    }
    assert len(sizes) == 1


def test_a_program_called_like_a_job_is_refused_where_another_may_be_meant(tmp_path: Path) -> None:
    both, one = SHIPPED["virtual-prints"], SHIPPED["virtual"]
    assert robot_of(tmp_path, both.replace("  sense:", "  sensing:")).program_for("sensing") is not None
    assert robot_of(tmp_path, one.replace("  main:", "  driving:")).program_for("driving") is not None
    expected = "expected another name, since a suite that asks for {0} means any program that can do that"
    assert sentences(robot_of, tmp_path, both, "  sense:", "  driving:") == [
        "programs.driving: found 'driving', which is a job that run can do, " + expected.format("driving")
    ]
    idle = both.replace("can: [driving]", "can: [sensing]")
    assert f"programs.driving: found 'driving', a job, {expected.format('driving')}" in sentences(
        robot_of, tmp_path, idle, "  sense:", "  driving:"
    )


def test_a_case_asks_for_a_program_by_name_or_by_job_and_keeps_the_loaded_one(tmp_path: Path) -> None:
    robot = robot_of(tmp_path, SHIPPED["virtual-prints"])
    chosen = {wanted: robot.program_for(wanted) for wanted in ("driving", "sensing", "sense", "gone")}
    assert {wanted: program and program.name for wanted, program in chosen.items()} == {
        "driving": "run",
        "sensing": "sense",
        "sense": "sense",
        "gone": None,
    }
    one = robot_of(tmp_path, SHIPPED["virtual"])
    assert one.program_for("main") is one.program_for("driving") is one.program_for("sensing")


def test_what_the_person_does_to_load_a_program_is_kept_with_the_time_to_wait(tmp_path: Path) -> None:
    sense = robot_of(tmp_path, SHIPPED["virtual-prints"]).programs["sense"]
    assert sense.load == "Load the program sense, then leave the robot switched on."
    assert (sense.load_s, sense.can) == (30.0, ("sensing",))
    assert sense.drives_by is Drives.OPERATOR


def test_the_maze_logic_is_chosen_by_settings_or_is_the_firmwares_own(tmp_path: Path) -> None:
    text = SHIPPED["virtual-shuttle"]
    logic = robot_of(tmp_path, text).programs["main"].maze_logic
    assert logic.tracking == Choice(setting="follow", values={"none": 0.0, "left": 1.0, "right": 2.0, "both": 3.0})
    assert logic.front == Choice(setting="stop-by", values={"counts": 0.0, "wall": 1.0})
    old = text[text.index("      tracking:") : text.index("      front:")]
    own = robot_of(tmp_path, text.replace(old, "      own_tracking: left\n")).programs["main"].maze_logic
    assert (own.tracking, own.own_tracking, own.about) == (None, "left", "left")


def test_a_robot_that_only_prints_is_stopped_by_the_operator(tmp_path: Path) -> None:
    stop = robot_of(tmp_path, SHIPPED["virtual-prints"]).stop
    assert (stop.by, stop.dead_man_s) == (StopBy.OPERATOR, 0.0)


@pytest.mark.parametrize(
    ("name", "old", "new", "expected"),
    [
        (
            "virtual-prints",
            "    drives_by: operator\n",
            "",
            [
                "programs.run.protocol: found 'command', which is the default, expected goal or operator, since the protocol plain-prints has no command 'drive'"
            ],
        ),
        (
            "virtual-prints",
            "drives_by: operator",
            "drives_by: goal",
            [
                "programs.run.drives_by: found 'goal', expected command or operator, since the protocol plain-prints has no command 'goal'"
            ],
        ),
        (
            "virtual-prints",
            "drives_by: operator",
            "drives_by: opertor",
            ["programs.run.drives_by: found 'opertor', expected command, goal or operator (did you mean operator?)"],
        ),
        (
            "virtual-prints",
            "    load: Load the program sense, then leave the robot switched on.\n",
            "",
            [
                "programs.sense.load: found nothing, expected what the person does to load it, since there are several programs"
            ],
        ),
        (
            "virtual-prints",
            "can: [sensing]",
            "can: [sensing]\n    cable: no\n    drives_by: operator",
            [
                "programs.sense.cable: found 'cable', expected it only for a program that can drive",
                "programs.sense.drives_by: found 'drives_by', expected it only for a program that can drive",
            ],
        ),
        (
            "virtual-prints",
            "can: [sensing]",
            "can: [sensng]",
            ["programs.sense.can[0]: found 'sensng', expected driving or sensing (did you mean sensing?)"],
        ),
        (
            "virtual-prints",
            "can: [sensing]",
            "can: [sensing, sensing]",
            ["programs.sense.can: found a list of 2, expected each job once"],
        ),
        (
            "virtual-prints",
            "can: [sensing]",
            "can: []",
            ["programs.sense.can: found an empty list, expected driving, sensing or both"],
        ),
        (
            "virtual-prints",
            "  sense:\n",
            "  run:\n",
            ["programs.run: found the key twice, expected it once; it stands in line 35 too"],
        ),
        (
            "virtual-prints",
            "stop: {by: operator}",
            "stop: {by: command}",
            [
                "stop.by: found 'command', expected dead man or operator, since the protocol plain-prints of run has no command 'stop'"
            ],
        ),
        (
            "virtual-prints",
            "load_wait: 30 s",
            "load_wait: 30",
            ["programs.run.load_wait: found '30', which has no unit, expected a quantity such as '500 ms'"],
        ),
        (
            "virtual-menu",
            "drives_by: command",
            "drives_by: command\n    cable: no",
            ["programs.main.cable: found 'no', expected yes, unless the operator drives it (drives_by: operator)"],
        ),
        (
            "virtual-menu",
            "dead_man: 500 ms",
            "dead_man: 250 ms",
            ["stop.dead_man: found '250 ms', expected 300 ms at least, twice the keep_alive of letter-menu"],
        ),
        (
            "virtual-menu",
            "drives_by: command",
            "drives_by: command\n    maze_logic: {about: right}",
            ["programs.main.maze_logic: found 'maze_logic', expected it only with drives_by: goal"],
        ),
        (
            "virtual-shuttle",
            "setting: follow,",
            "setting: folow,",
            [
                "programs.main.maze_logic.tracking.setting: found 'folow', expected a setting of this robot (did you mean follow?)"
            ],
        ),
        (
            "virtual-shuttle",
            "both: 3}",
            "both: 4}",
            ["programs.main.maze_logic.tracking.both: found '4', expected 0 to 3, the range of follow"],
        ),
        (
            "virtual-shuttle",
            "both: 3}",
            "both: 2}",
            ["programs.main.maze_logic.tracking: found a mapping, expected another value for every choice"],
        ),
        (
            "virtual-shuttle",
            "      about: left\n",
            "      about: left\n      own_front: wall\n",
            [
                "programs.main.maze_logic.own_front: found 'own_front' beside 'front', expected one of the two: the firmware decides, or a setting does"
            ],
        ),
        (
            "virtual-shuttle",
            "{setting: stop-by, counts: 0, wall: 1}",
            "{setting: stop-by}",
            ["programs.main.maze_logic.front: found a mapping, expected the setting's value for one choice at least"],
        ),
        (
            "virtual-shuttle",
            "both: 3}",
            "bth: 3}",
            [
                "programs.main.maze_logic.tracking.bth: found the unknown key 'bth', expected both, left, none, right or setting (did you mean both?)"
            ],
        ),
    ],
)
def test_a_mistake_in_a_program_is_told_in_one_sentence(
    tmp_path: Path, name: str, old: str, new: str, expected: list[str]
) -> None:
    assert sentences(robot_of, tmp_path, SHIPPED[name], old, new) == expected


def test_a_dead_man_needs_a_protocol_that_keeps_alive(tmp_path: Path) -> None:
    protocol = shipped(Kind.PROTOCOL)["letter-menu"].read_text(encoding="utf-8")
    quiet = protocol.replace("keep_alive: {every: 150 ms}\n", "").replace("protocol: letter-menu", "protocol: quiet")
    (tmp_path / "quiet.protocol.yaml").write_text(quiet, encoding="utf-8")
    assert sentences(
        robot_of, tmp_path, SHIPPED["virtual-menu"], "protocol: letter-menu", "protocol: quiet.protocol.yaml"
    ) == [
        "stop.dead_man: found '500 ms', expected none, since the protocol quiet has no keep_alive and every drive would stop"
    ]


def test_what_is_wrong_in_the_protocol_is_told_with_the_robot(tmp_path: Path) -> None:
    protocol = shipped(Kind.PROTOCOL)["plain-prints"].read_text(encoding="utf-8")
    (tmp_path / "own.protocol.yaml").write_text(protocol.replace("baud: 9600", "baud: 9600 Bd"), encoding="utf-8")
    assert sentences(
        robot_of, tmp_path, SHIPPED["virtual-prints"], "protocol: plain-prints", "protocol: own.protocol.yaml"
    ) == ["port.baud: found '9600 Bd', expected a whole number"]
