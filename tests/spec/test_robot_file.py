"""Robot files: the robot that comes of one, and what is refused."""

# ruff: noqa: E501  (the sentences stand as the user sees them, each on a line)

from __future__ import annotations

import math
from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.measure.model import FrontStop
from hil.spec.kinds import Kind
from hil.spec.robot_values import Drives, StopBy

from .changed_files import robot_of, sentences

TEXT = shipped(Kind.ROBOT)["virtual"].read_text(encoding="utf-8")


def test_the_virtual_robot_is_read_in_millimetres_and_radians(tmp_path: Path) -> None:
    file = robot_of(tmp_path, TEXT)
    robot = file.robot
    assert (robot.body_width_mm, robot.wheel_base_mm, robot.counts_per_turn) == (80.0, 70.0, 360.0)
    # 28 mm and 360 counts: 0.24 mm a count (table of common encoder sizes).
    assert robot.mm_per_count_left == pytest.approx(math.pi * 28 / 360)
    left = robot.sensor("wall.left")
    assert left is not None
    assert left.angle_rad == pytest.approx(math.pi / 2)
    assert (robot.speed_mm_s, robot.front_stop) == (300.0, FrontStop.WALL)
    assert file.virtual
    assert file.programs["main"].drives_by is Drives.COMMAND
    assert (file.stop.by, file.stop.dead_man_s) == (StopBy.COMMAND, 0.5)
    assert file.supply is not None
    assert file.supply.lowest_v == 6.8


def test_settings_carry_unit_range_and_what_they_trim(tmp_path: Path) -> None:
    text = TEXT.replace("settings:\n", "settings:\n  kp: {range: [0, 100], trims: steering}\n")
    setting = robot_of(tmp_path, text).settings["kp"]
    assert (setting.lowest, setting.highest, setting.trims) == (0.0, 100.0, "steering")


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("width: 80 mm", "width: 80", "body.width: found '80', which has no unit, expected a quantity such as '80 mm'"),
        (
            "width: 80 mm",
            "width: 80 kg",
            "body.width: found '80 kg', whose unit does not fit, expected a quantity such as '80 mm'",
        ),
        (
            "width: 80 mm",
            "width: 80 mmm",
            "body.width: found '80 mmm', whose unit is not known, expected a quantity such as '80 mm'",
        ),
        ("width: 80 mm", "width: -80 mm", "body.width: found '-80 mm', expected a quantity above 0 mm"),
        ("class: entry", "class: enrty", "class: found 'enrty', expected entry or fast (did you mean entry?)"),
        ("virtual: yes", "virtual: maybe", "virtual: found 'maybe', expected yes or no"),
        (
            "wall.front: {",
            "wall.frunt: {",
            "sensors.wall.frunt: found 'wall.frunt', expected a wall sensor (wall.front, wall.front.left, wall.front.right, wall.left, wall.left.diagonal, wall.right or wall.right.diagonal) (did you mean wall.front?)",
        ),
        (
            "protocol: tagged-lines",
            "protocol: taged-lines",
            "programs.main.protocol: found 'taged-lines', expected a protocol (letter-menu, plain-prints, plain-readings or tagged-lines) (did you mean tagged-lines?)",
        ),
        ("counts_per_turn: 360", "counts_per_turn: many", "wheels.counts_per_turn: found 'many', expected a number"),
        (
            "base: 70 mm",
            "base: 700 mm",
            "wheels.base: found '700 mm', expected a wheel base that fits the body's width of 80 mm",
        ),
        (
            "stop: {by: command, dead_man: 500 ms}",
            "stop: {by: dead man}",
            "stop.dead_man: found nothing, expected the time after which the robot stops",
        ),
        (
            "settings:\n",
            "settings:\n  kp: {range: [5, 1]}\n",
            "settings.kp.range: found a list of 2, expected the lower number first, as in [0, 100]",
        ),
        ("title: The virtual robot\n", "", "title: found nothing, expected text"),
    ],
)
def test_a_mistake_is_told_in_one_sentence(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    assert sentences(robot_of, tmp_path, TEXT, old, new) == [sentence]
