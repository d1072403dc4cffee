"""The files of a new bench, as text: a robot file, a course, a first suite, the schemas for editors, a README.

The texts are written for somebody who has never seen such a file: every block says what it is for. What the user did
not say stands there as a common value and says so. Nothing is written to disk here.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field

from hil.spec.kinds import Kind
from hil.spec.robot_values import Drives, StopBy
from hil.spec.schema import schema_of

SCHEMAS = "schemas"
COURSE = "first-corridor"
SUITE = "first-run"
MOST_LETTERS = 40  # of a robot's name

# Where the sensors of the usual layouts sit: x forward and y left of the middle of the axle [mm], and where they look
# [deg] (common practice, no source). Two that look ahead beside each other also see the walls at the sides, askew.
LAYOUTS: Mapping[str, Mapping[str, tuple[float, float, float]]] = {
    "three": {"wall.left": (30, 35, 90), "wall.right": (30, -35, -90), "wall.front": (40, 0, 0)},
    "four": {
        "wall.front.left": (40, 25, 5),
        "wall.front.right": (40, -25, -5),
        "wall.left.diagonal": (35, 15, 50),
        "wall.right.diagonal": (35, -15, -50),
    },
    "six": {
        "wall.left": (20, 35, 90),
        "wall.right": (20, -35, -90),
        "wall.front.left": (40, 25, 0),
        "wall.front.right": (40, -25, 0),
        "wall.left.diagonal": (35, 15, 45),
        "wall.right.diagonal": (35, -15, -45),
    },
    "none": {},
}

_LOWEST_V = 3.4  # of a lithium cell that is loaded; below it is soon damaged (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewProgram:
    """A program as the user described it."""

    name: str
    protocol: str
    can: tuple[str, ...]
    drives: Drives = Drives.COMMAND
    cable: bool = True
    port: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewBench:
    """What was asked; lengths in mm. `channels` are those its driving program reports."""

    name: str
    serial: str
    robot_class: str = "entry"
    width_mm: float = 80.0
    front_mm: float = 50.0
    rear_mm: float = 50.0
    wheel_mm: float = 28.0
    base_mm: float = 70.0
    counts_per_turn: float = 360.0
    layout: str = "three"
    cells: int = 2
    stop: StopBy = StopBy.COMMAND
    dead_man_ms: int = 0
    programs: tuple[NewProgram, ...] = ()
    channels: frozenset[str] = field(default_factory=frozenset)

    @property
    def driving(self) -> NewProgram:
        """The program that drives."""
        return next(program for program in self.programs if "driving" in program.can)


def files_of(bench: NewBench) -> dict[str, str]:
    """Return the texts of all files by their names in the bench's folder."""
    files = {
        f"{bench.name}{Kind.ROBOT.ending}": _robot_text(bench),
        f"{COURSE}{Kind.COURSE.ending}": _COURSE_TEXT,
        f"{SUITE}{Kind.SUITE.ending}": _suite_text(bench),
        "README.md": _readme_text(bench),
    }
    for kind in Kind:
        name = f"{SCHEMAS}/{kind.value}.schema.json"
        files[name] = json.dumps(schema_of(kind), indent=2, ensure_ascii=False) + "\n"
    return files


def _modeline(kind: Kind) -> str:
    return f"# yaml-language-server: $schema={SCHEMAS}/{kind.value}.schema.json\n"


def _quoted(text: str) -> str:
    """Return a user's text as a YAML scalar that is text whatever stands in it: JSON's strings are YAML's."""
    return json.dumps(text, ensure_ascii=False)


def _robot_text(bench: NewBench) -> str:
    return (
        f"{_modeline(Kind.ROBOT)}"
        "# The robot as you measured it. 'hil check' says what is wrong in this file, all of it at once.\n"
        f"robot: {bench.name}\n"
        f"title: {_quoted(bench.name)}\n"
        "# A robot that can be asked who it is must answer with this number; a run on another one is refused.\n"
        f"serial: {_quoted(bench.serial)}\n"
        "# Which column of the tolerances applies: entry, or fast for robots that drive diagonals.\n"
        f"class: {bench.robot_class}\n\n"
        "# Sizes as a calliper gives them, front and rear counted from the wheel axle.\n"
        f"body: {{width: {bench.width_mm:g} mm, front: {bench.front_mm:g} mm, rear: {bench.rear_mm:g} mm}}\n"
        "# The wheels as your firmware knows them, so that what is measured is the firmware's error.\n"
        "wheels:\n"
        f"  diameter_left: {bench.wheel_mm:g} mm\n"
        f"  diameter_right: {bench.wheel_mm:g} mm\n"
        f"  base: {bench.base_mm:g} mm  # between the wheels' middles\n"
        f"  counts_per_turn: {bench.counts_per_turn:g}  # of a wheel, edges and gear counted\n"
        "# What ends a straight before a wall: counts, wall, or first (whichever comes first), and how far the axle\n"
        "# then is from the wall's face. Common values; set them to your firmware's.\n"
        "front_stop: {by: wall, distance: 84 mm, window: 30 mm}\n"
        "speed: 0.3 m/s  # of test drives, where a suite names none\n\n"
        "# The largest reading of the converter: 1023 for 10 bits, 4095 for 12.\n"
        "adc: {full_scale: 1023}\n"
        f"{_sensors_text(bench)}\n"
        f"{_supply_text(bench)}\n"
        f"{_programs_text(bench)}\n"
        f"{_stop_text(bench)}"
    )


def _sensors_text(bench: NewBench) -> str:
    sensors = LAYOUTS[bench.layout]
    if not sensors:
        return "# No wall sensor was named; see the schema for how they are described.\nsensors: {}\n"
    lines = [
        f"  {channel}: {{x: {x:g} mm, y: {y:g} mm, angle: {angle:g} deg}}\n"
        for channel, (x, y, angle) in sensors.items()
    ]
    return (
        "# Where the sensors sit, forward (x) and left (y) of the middle of the axle, and where they look (left is\n"
        "# positive). These are the usual places of such a layout: measure yours and correct them.\n"
        "sensors:\n" + "".join(lines)
    )


def _supply_text(bench: NewBench) -> str:
    if not bench.cells:
        return (
            "# No run begins below 'lowest', once this is filled in and the robot reports its battery.\n"
            "# supply: {chemistry: NiMH, cells: 6, lowest: 6 V}\n"
        )
    return (
        "# Below this voltage no run begins, where the robot reports its battery.\n"
        f"supply: {{chemistry: LiPo, cells: {bench.cells}, lowest: {_LOWEST_V * bench.cells:.1f} V}}\n"
    )


def _programs_text(bench: NewBench) -> str:
    head = "# A program is what the controller carries at one time: how it speaks, where, and what it is good for.\n"
    lines = [head, "programs:\n"]
    for program in bench.programs:
        lines.append(f"  {program.name}:\n    protocol: {program.protocol}\n")
        if program.port:
            lines.append(f"    port: {program.port}\n")
        if len(program.can) == 1:
            lines.append(f"    can: [{program.can[0]}]\n")
        if "driving" in program.can:
            lines.append(f"    drives_by: {program.drives.value}{_DRIVES[program.drives]}\n")
            if not program.cable:
                lines.append("    cable: no  # it drives unplugged; the run says when the cable goes and comes\n")
        if len(bench.programs) > 1:
            lines.append(f"    load: Load the program {program.name}, then leave the robot switched on.\n")
    return "".join(lines)


_DRIVES = {
    Drives.COMMAND: "  # a path is sent over the port",
    Drives.GOAL: "  # it is sent to a cell, and its own maze logic drives there",
    Drives.OPERATOR: "  # you start it by its button when the run says so",
}


def _stop_text(bench: NewBench) -> str:
    dead_man = f", dead_man: {bench.dead_man_ms} ms" if bench.dead_man_ms else ""
    why = {
        StopBy.COMMAND: "# It is stopped over the port, at an error and at Ctrl-C too.\n",
        StopBy.DEAD_MAN: "# It stops by itself when nothing comes over the port for so long.\n",
        StopBy.OPERATOR: "# You stop it, by its switch or by lifting it: stand beside it in every drive.\n",
    }
    return f"{why[bench.stop]}stop: {{by: {bench.stop.value}{dead_man}}}\n"


_COURSE_TEXT = (
    _modeline(Kind.COURSE)
    + """# Four cells in a row, closed at both ends. Posts are *, panels === and H; the robot stands on the arrow and
# looks where it points. Any place that looks like this will do, also a part of a maze.
course: first-corridor
title: Corridor of four cells
pitch: 180 mm
wall: 12 mm
surface: matt-white
drawing: |
  *===*
  H   H
  *   *
  H   H
  *   *
  H   H
  *   *
  H ^ H
  *===*
marks:
  start-line: {cell: [0, 0], along: 0 mm, across: 0 mm, note: centre of the first cell}
  stop-line: {cell: [0, 2], along: 0 mm, across: 0 mm, note: centre of the third cell}
"""
)


def _suite_text(bench: NewBench) -> str:
    steering = "by both" if bench.layout != "none" else "blind"
    steps = (
        "      - observe: {what: along, as: along}\n"
        f"      - drive: {{path: ahead 2 {steering}, front: counts, as: first}}\n"
        "      - observe: {what: along, as: along}\n"
    )
    wheels = [channel.rpartition(".")[2] for channel in ("encoder.left", "encoder.right") if channel in bench.channels]
    measured = "".join(_WHEEL_MEASURED.format(side=side) for side in wheels)
    asserted = "".join(_WHEEL_ASSERTED.format(side=side) for side in wheels)
    return _modeline(Kind.SUITE) + _SUITE_TEXT.format(steps=steps, measured=measured, asserted=asserted)


# The words in braces are filled in; braces of the file itself are doubled.
_SUITE_TEXT = """# A first run: does the robot start, drive two cells and stop near the mark? Change it as you like.
suite: first-run
title: First run
why: >
  Before anything fine is measured, the robot must drive at all, forwards, and about as far as it was told.
course: first-corridor
cautions:
  - The robot drives two cells. Keep hands, hair and cables out of its way.

cases:
  two-cells:
    title: Two cells ahead
    program: driving  # any program that can do that
    setup:
      - place: {{at: start}}
    # What happens where the robot reports; what a person reads is asked for and kept with it.
    sequence:
{steps}    # What happens where everything is read by hand.
    operator_sequence:
{steps}    measure:
      distance:
        {{method: observation.leg_distance, of: first, cells: 2,
         operator_method: observation.leg_distance, operator_of: first}}
{measured}    assert:
      - measurement: distance
        tolerance: 0 ± 30 mm
        why: enough to see that the sizes in the robot file and in the firmware are not mixed up
{asserted}"""
_WHEEL_MEASURED = "      {side}_wheel: {{method: general.slope, of: first, channel: encoder.{side}}}\n"
_WHEEL_ASSERTED = """      - measurement: {side}_wheel
        tolerance: ">= 50 count/s"
        why: the {side} wheel counts, and counts upwards when the robot drives forwards
"""


def _readme_text(bench: NewBench) -> str:
    port = "" if bench.driving.port else " --port PORT"
    return f"""# Bench of {bench.name}

Made by `hil init`. All files are yours: change them, and let `hil check` find what is wrong in them.

| file | what it is |
|---|---|
| `{bench.name}.robot.yaml` | the robot: its sizes, its programs, how it is driven and stopped |
| `{COURSE}.course.yaml` | where it drives |
| `{SUITE}.suite.yaml` | what it does there, what is measured, and what that is held against |
| `{SCHEMAS}/` | what an editor needs to complete and mark these files while you type |

The next three commands, here in this folder:

    hil check {SUITE}.suite.yaml --robot {bench.name}
    hil listen {bench.driving.port or "PORT"} --protocol {bench.driving.protocol}
    hil run {SUITE} --robot {bench.name}{port}

Then the suites that come with hil: `hil run --robot {bench.name}{port}`. They measure wheels, turns and the stop before
a wall, and tell before the first motion what has to be set up.
"""
