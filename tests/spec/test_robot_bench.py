"""What a robot file says of encoders, supply, sensors at a wall, and settings written to a file."""

# ruff: noqa: E501  (the sentences stand as the user sees them, each on a line)

from __future__ import annotations

from pathlib import Path

import pytest

from hil.errors import FileMistakes
from hil.measure.model import Encoder, Regulator
from hil.spec.loading import load_robot
from hil.spec.robot_values import RobotFile, SettingsText

ENCODER = "encoder: {channels: 2, cycles_per_turn: 30, gear: 3, edges: 4}\n"
# A regulator as its data sheet draws it: 1.25 V (1 + 910/240) + 50 uA 910 ohm = 6.04 V.
REGULATOR = "  motor: 6 V\n  regulator: {r1: 240 ohm, r2: 910 ohm, adjust: 50 uA, reference: 1.25 V, dropout: 2 V, resistors: 1 %, reference_within: 4 %}\n"
HEAD = """\
robot: mine
title: Mine
serial: M-1
class: entry
body: {width: 80 mm, front: 50 mm, rear: 50 mm}
wheels: {diameter_left: 28 mm, diameter_right: 28 mm, base: 70 mm, counts_per_turn: 360}
front_stop: {by: wall}
speed: 0.3 m/s
adc: {full_scale: 1023}
sensors:
  wall.left: {x: 30 mm, y: 35 mm, angle: 90 deg, wall: 49 mm, beyond: 229 mm}
  wall.right: {x: 30 mm, y: -35 mm, angle: -90 deg}
programs: {main: {protocol: tagged-lines}}
stop: {by: command}
"""
SETTINGS = "settings_file: {name: walls.h, line: \"#define {NAME} {value}\", first: '/* {robot} on {surface} */'}\n"


def text_with(*changes: tuple[str, str]) -> str:
    text = f"{HEAD}{ENCODER}{SETTINGS}supply:\n  chemistry: LiPo\n  cells: 2\n  lowest: 6.8 V\n{REGULATOR}"
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def loaded(tmp_path: Path, *changes: tuple[str, str]) -> RobotFile:
    path = tmp_path / "mine.robot.yaml"
    path.write_text(text_with(*changes), encoding="utf-8")
    return load_robot(path)


def test_encoder_supply_and_sensors_come_out_as_plain_values(tmp_path: Path) -> None:
    robot = loaded(tmp_path)
    assert robot.robot.encoder == Encoder(channels=2, cycles_per_turn=30.0, gear=3.0, edges=4)
    assert robot.supply is robot.robot.supply
    assert robot.supply is not None
    assert (robot.supply.motor_v, robot.supply.lowest_v) == (6.0, 6.8)
    assert robot.supply.regulator == Regulator(
        r1_ohm=240.0, r2_ohm=910.0, adjust_a=pytest.approx(50e-6), reference_share=0.04
    )
    left, right = robot.robot.sensors[0], robot.robot.sensors[1]
    assert (left.wall_mm, left.beyond_mm, right.wall_mm) == (49.0, 229.0, 0.0)
    assert robot.settings_text == SettingsText(
        name="walls.h", line="#define {NAME} {value}", first="/* {robot} on {surface} */"
    )


def test_what_is_left_out_is_as_it_is_mostly_built(tmp_path: Path) -> None:
    robot = loaded(
        tmp_path, (ENCODER, "encoder: {channels: 2, cycles_per_turn: 90}\n"),
        (REGULATOR, "  regulator: {r1: 240 ohm, r2: 910 ohm}\n"), (SETTINGS, "settings_file: {name: walls.h}\n"),
    )  # fmt: skip
    assert robot.robot.encoder == Encoder(channels=2, cycles_per_turn=90.0, gear=1.0, edges=4)
    assert robot.supply is not None
    assert robot.supply.regulator == Regulator(r1_ohm=240.0, r2_ohm=910.0)
    assert robot.settings_text is not None
    assert robot.settings_text.line.startswith("#define {NAME} {value}")


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "cycles_per_turn: 30",
            "cycles_per_turn: 15",
            "encoder: found 15 cycles x 3 x 4 edges = 180 counts a turn, expected the 360 of wheels.counts_per_turn",
        ),
        (
            "channels: 2",
            "channels: 3",
            "encoder.channels: found '3', expected 1 channel, or 2 in quadrature",
        ),
        (
            "edges: 4",
            "edges: 3",
            "encoder.edges: found '3', expected 1, 2 or 4 counted edges of a cycle",
        ),
        (
            "channels: 2, cycles_per_turn: 30",
            "channels: 1, cycles_per_turn: 30",
            "encoder.edges: found 4 edges of one channel, expected 1 or 2 edges, or 2 channels",
        ),
        (
            "motor: 6 V",
            "motor: 5 V",
            "supply.motor: found '5 V', expected about 6.04 V, which r1 and r2 of the regulator set",
        ),
        (
            "r1: 240 ohm",
            "r1: 240 mm",
            "supply.regulator.r1: found '240 mm', whose unit does not fit, expected a quantity such as '240 ohm'",
        ),
        (
            "resistors: 1 %",
            "resistors: 1 V",
            "supply.regulator.resistors: found '1 V', expected a tolerance such as '1 %'",
        ),
        (
            "dropout: 2 V",
            "dropuot: 2 V",
            "supply.regulator.dropuot: found the unknown key 'dropuot', expected adjust, dropout, r1, r2, reference, reference_within or resistors (did you mean dropout?)",
        ),
        (
            "beyond: 229 mm",
            "beyond: 40 mm",
            "sensors.wall.left.beyond: found '40 mm', expected a distance beyond that of the wall",
        ),
        (
            "name: walls.h",
            "name: ../walls.h",
            "settings_file.name: found '../walls.h', expected the name of a file without folders, such as walls.h",
        ),
        (
            "{NAME} {value}",
            "{NAEM} {value}",
            "settings_file.line: found the field {NAEM}, expected {name}, {NAME}, {value}, {unit} or {meaning} (did you mean NAME?)",
        ),
        (
            "{robot} on {surface}",
            "{robot} on {surface",
            "settings_file.first: found '/* {robot} on {surface */', expected braces in pairs around names, and doubled ({{) where they stand for themselves",
        ),
    ],
)
def test_a_mistake_of_the_bench_is_told_in_one_sentence(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    with pytest.raises(FileMistakes) as caught:
        loaded(tmp_path, (old, new))
    assert sentence in [str(mistake).split(": ", 1)[1] for mistake in caught.value.mistakes]
