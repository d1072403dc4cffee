"""The person's part of a run: told, asked, and read as an instrument.

Three kinds of person answer the same calls: somebody at a terminal (`hil.engine.terminal_operator`), an answers file
(`hil.engine.answers_operator`), and the virtual person of a virtual robot (`hil.engine.virtual`). Each says who its
answers are from (`source`). Every answer is recorded by the caller.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from hil.measure.model import CellPose, PathElement
from hil.measure.readings import FRONT, REAR, angle_by_offsets
from hil.measure.trace import Json
from hil.spec.robot_values import Program
from hil.spec.suite_values import Board, Observe, Observed
from hil.vocabulary import CHANNELS

# What is asked where the suite has no words of its own.
QUESTIONS: Mapping[Observed, str] = {
    Observed.OFFSET: "How far does the middle of the axle stand from the centre line (left of it is positive)?",
    Observed.ANGLE: "By what angle does the robot point away from the centre line (to the left is positive)?",
    Observed.ALONG: "How far does the middle of the axle stand past its mark (short of it is negative)?",
    Observed.CLEARANCE_LEFT: "How wide is the gap between the robot's left side and the wall?",
    Observed.CLEARANCE_RIGHT: "How wide is the gap between the robot's right side and the wall?",
    Observed.CONTACTS: "How often did the robot touch a wall since it was placed?",
    Observed.LAP_TIME: "How long did the last drive take by the stopwatch?",
    Observed.BOW: "How far does the middle of the path lie beside the straight line from its begin to its end?",
    Observed.LIGHT: "Is the robot's light on?",
    Observed.DISPLAY: "What does the robot's display show?",
    Observed.METER: "What does the meter show?",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One observation: a value in `unit` with its standard uncertainty `u`, and the words it was given in.

    `parts` are the raw readings of one that is computed from several, by what each is called ("front", "rear"); they
    are recorded in its place, and measurements compute it from them.
    """

    value: float
    unit: str
    u: float
    said: str
    parts: Mapping[str, Reading] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A reading that takes the place of the one given before for `step`; None: it was not seen after all."""

    step: Observe
    reading: Reading | None


def question_of(step: Observe) -> str:
    """Return what is asked for a reading; of a meter by what it is held to."""
    if step.prompt or step.what is not Observed.METER or not step.at:
        return step.prompt or QUESTIONS[step.what]
    return f"What does the meter show for the {CHANNELS[step.at].meaning} ({step.at})?"


def u_of(step: Observe, value: float) -> float:
    """Return the standard uncertainty of a reading: the step's own, and of a meter its share of the value too."""
    return step.u + step.share * abs(value) / math.sqrt(3)


def how_read(step: Observe) -> dict[str, Json]:
    """Return what the trace keeps of how a reading was taken, beside its value."""
    how: dict[str, Json] = {"what": step.what.value, "instrument": step.instrument.value}
    lengths = {"apart_mm": step.apart_mm, "over_mm": step.over_mm, "resolution": step.resolution}
    how |= {name: length for name, length in lengths.items() if length}
    if step.at:
        how["at"] = step.at
    return {**how, "mark": step.mark} if step.mark else how


def two_offsets(step: Observe, front: Reading, rear: Reading) -> Reading:
    """Return the angle that two offsets tell, for the person's eyes; the offsets themselves are what is recorded."""
    angle, u = angle_by_offsets(front.value, rear.value, step.apart_mm, step.u)
    return Reading(
        value=math.degrees(angle),
        unit="deg",
        u=math.degrees(u),
        said=f"{front.said} / {rear.said}",
        parts={FRONT: front, REAR: rear},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveOrder:
    """A path that a person lets the robot drive: its elements, as written, what ends a straight, the speed [mm/s].

    `start` is where the robot should stand; `untethered` says that no cable hangs on it.
    """

    path: tuple[PathElement, ...]
    path_text: str
    front: str
    speed_mm_s: float
    start: CellPose
    untethered: bool = False


def nothing_to_do() -> None:
    """Do nothing while a person is waited for."""


class Operator(Protocol):
    """Whoever does the person's part."""

    source: str
    # Called at least every 50 ms while the person is waited for, so that ports are read and recorded meanwhile.
    idle: Callable[[], None]

    def tell(self, text: str, board: Board | None) -> None:
        """Ask for something to be done, and come back when it is done."""

    def start_drive(self, order: DriveOrder) -> None:
        """Have the robot started by its button, and come back when it stands."""

    def load(self, program: Program) -> None:
        """Have a program loaded into the robot; the port is closed meanwhile."""

    def untether(self, say: str) -> None:
        """Have the cable unplugged; the port is closed already."""

    def retether(self, say: str) -> None:
        """Have the cable plugged in again."""

    def ask_for_dump(self, what: str) -> None:
        """Have the robot send what it kept on board, by its button."""

    def switch_off(self) -> None:
        """Have the robot stopped at its switch."""

    def place(self, course_file: Path, course_title: str, pose: CellPose) -> None:
        """Ask for the robot to be placed in the centre of a cell."""

    def stand(self) -> None:
        """Have the robot put on its stand, wheels free."""

    def turn_wheel(self, wheel: str, turns: float) -> None:
        """Have a wheel ("left" or "right") turned by hand, forward, for so many turns; come back when it is done."""

    def spin(self, left: float, right: float, duration_s: float) -> None:
        """Have the free wheels turned by the robot's button, at duties (-1 to 1), and come back when they stand."""

    def clip_resistor(self, ohm: float | None, battery_v: float) -> None:
        """Have a resistor clipped across the battery (ohm), or taken off (None).

        `battery_v` is what the battery may have at most, by which its power is told; 0: not known.
        """

    def set_lamps(self, *, are_on: bool) -> None:
        """Have the room's lamps switched."""

    def set_jig(self, sensor: str, surface: str, distance_mm: float, angle_rad: float, remark: str) -> float:
        """Have a board set before a sensor and return its distance [mm] as it was set; infinite: no board.

        `remark` says why it is asked for again, "" where it is not.
        """

    def keeps(self, doubt: str) -> bool:
        """Tell a doubt about what was read, and ask whether it is kept (else it is read again)."""

    def observe(self, step: Observe, pose: CellPose) -> Reading | None:
        """Read something by eye or with an instrument; `pose` is where the robot should stand. None: not seen."""

    def corrections(self) -> Sequence[Correction]:
        """Return, and forget, the readings of before that were corrected since this was asked last."""

    def ask(self, name: str, question: str, unit: str) -> Reading:
        """Ask for a number in `unit` that the person knows or reads somewhere."""

    def consent(self, cautions: Sequence[str]) -> None:
        """Show the cautions and come back only when the person agrees; raise `OperatorAbsent` otherwise."""


_HEADINGS = ("north", "east", "south", "west")


def describe_pose(pose: CellPose) -> str:
    """Say a pose as a person would look for it."""
    return f"cell ({pose.x}, {pose.y}), looking {_HEADINGS[pose.heading]}"
