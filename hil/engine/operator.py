"""The person's part of a run: told, asked, and read as an instrument.

Three kinds of person answer the same calls: somebody at a terminal, an answers file, and the virtual person of a
virtual robot. Each says what its answers are worth (`source`). Every answer is recorded by the caller.
"""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TextIO

from hil.errors import OperatorAbsent, UsageError
from hil.measure.model import CellPose, PathElement
from hil.quantities import QuantityError, parse_quantity
from hil.spec.robot_values import Program
from hil.spec.suite_values import Board, Observe, Observed

_TRIES = 5  # a person who cannot give a readable number five times is not reading the prompt

# What is asked where the suite has no words of its own.
QUESTIONS: Mapping[Observed, str] = {
    Observed.OFFSET: "How far does the middle of the axle stand from the centre line (left of it is positive)?",
    Observed.ANGLE: "By what angle does the robot point away from the centre line (to the left is positive)?",
    Observed.ALONG: "How far does the middle of the axle stand past its mark (short of it is negative)?",
    Observed.CLEARANCE_LEFT: "How wide is the gap between the robot's left side and the wall?",
    Observed.CLEARANCE_RIGHT: "How wide is the gap between the robot's right side and the wall?",
    Observed.CONTACTS: "How often did the robot touch a wall since it was placed?",
    Observed.LAP_TIME: "How long did the last drive take by the stopwatch?",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One observation: a value in `unit` with its standard uncertainty `u`, and the words it was given in."""

    value: float
    unit: str
    u: float
    said: str


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

    def observe(self, step: Observe, pose: CellPose) -> Reading:
        """Read something by eye or with an instrument; `pose` is where the robot should stand."""

    def ask(self, name: str, question: str, unit: str) -> Reading:
        """Ask for a number in `unit` that the person knows or reads somewhere."""

    def consent(self, cautions: Sequence[str]) -> None:
        """Show the cautions and come back only when the person agrees; raise `OperatorAbsent` otherwise."""


_HEADINGS = ("north", "east", "south", "west")


def describe_pose(pose: CellPose) -> str:
    """Say a pose as a person would look for it."""
    return f"cell ({pose.x}, {pose.y}), looking {_HEADINGS[pose.heading]}"


def read_quantity(text: str, unit: str, *, is_count: bool = False) -> float:
    """Read a person's text as a value in `unit`; a bare number is in the unit that the prompt names.

    Raises `QuantityError`, one clause, where it is not one.
    """
    stripped = text.strip()
    bare = parse_quantity(stripped)
    value = bare.to(unit) if bare.unit else bare.value
    if is_count and (value < 0 or value != int(value)):
        raise QuantityError(f"{stripped!r} is not a number of times")
    return value


def _expected(unit: str) -> str:
    return f"a number in {unit}, such as '1.5 {unit}'" if unit else "a number"


class TerminalOperator:
    """A person at the terminal. Prompts go to `output`, so that standard output stays the program's result."""

    source = "operator"

    def __init__(self, read_line: Callable[[], str] | None = None, output: TextIO | None = None) -> None:
        self.idle = nothing_to_do
        self._read_line = read_line or sys.stdin.readline
        self._output = output or sys.stderr

    def _prompt(self, text: str) -> str:
        self._output.write(text)
        self._output.flush()
        line = self._read_line()
        if not line:
            raise OperatorAbsent(
                "an answer is needed and the input has ended",
                where="the operator's terminal",
                todo="Run at a terminal, or give the answers with --answers FILE",
            )
        return line.rstrip("\n")

    def tell(self, text: str, board: Board | None) -> None:
        """Show the text and wait for the Enter key."""
        self._prompt(f"\n  To do: {text}\n  Press Enter when it is done. ")

    def start_drive(self, order: DriveOrder) -> None:
        """Say which path, and wait for the Enter key."""
        self.tell(
            f"Start the robot with its button and let it drive: {order.path_text}. Come back when it stands.", None
        )

    def load(self, program: Program) -> None:
        """Say how the program is loaded, and wait for the Enter key."""
        self.tell(program.load or f"Load the program '{program.name}' into the robot.", None)

    def untether(self, say: str) -> None:
        """Say that the cable can be unplugged, and wait for the Enter key."""
        self.tell(f"Unplug the robot's cable. {say}".strip(), None)

    def retether(self, say: str) -> None:
        """Say that the cable is needed, and wait for the Enter key."""
        self.tell(f"Plug the robot's cable in again. {say}".strip(), None)

    def ask_for_dump(self, what: str) -> None:
        """Say that the robot has to send what it kept, and wait for the Enter key."""
        self.tell(f"Let the robot send its {what}.", None)

    def switch_off(self) -> None:
        """Say that the robot has to be stopped; nobody is waited for."""
        self._output.write("\n  Stop the robot at its switch now.\n")
        self._output.flush()

    def place(self, course_file: Path, course_title: str, pose: CellPose) -> None:
        """Show where the robot belongs and wait for the Enter key."""
        self.tell(f"Place the robot in the centre of {describe_pose(pose)}, on the course '{course_title}'.", None)

    def observe(self, step: Observe, pose: CellPose) -> Reading:
        """Ask for a reading until one is given that can be read."""
        prompt = f"{step.prompt or QUESTIONS[step.what]} By {step.instrument.value}"
        return self._number(step.name, prompt, step.what.unit, step.u, is_count=step.what is Observed.CONTACTS)

    def ask(self, name: str, question: str, unit: str) -> Reading:
        """Ask for a number until one is given that can be read."""
        return self._number(name, question, unit, 0.0)

    def _number(self, name: str, prompt: str, unit: str, u: float, *, is_count: bool = False) -> Reading:
        for _ in range(_TRIES):
            said = self._prompt(f"\n  {prompt}{f', in {unit}' if unit else ''}: ")
            try:
                return Reading(value=read_quantity(said, unit, is_count=is_count), unit=unit, u=u, said=said.strip())
            except QuantityError as error:
                self._output.write(f"  {error}; expected {_expected(unit)}.\n")
        raise OperatorAbsent(
            f"no readable answer for '{name}' in {_TRIES} tries",
            where="the operator's terminal",
            expected=_expected(unit),
            todo="Start the run again when the reading can be taken",
        )

    def consent(self, cautions: Sequence[str]) -> None:
        """Show the cautions; anything but yes ends the run before the first motion."""
        lines = "".join(f"  - {caution}\n" for caution in cautions)
        answer = self._prompt(f"\nBefore the robot moves:\n{lines}  Type yes to go on: ")
        if answer.strip().lower() not in ("yes", "y"):
            raise OperatorAbsent(
                "the cautions were not agreed to",
                where="before the first motion",
                expected="yes",
                todo="Nothing has moved. Start again when the bench is safe",
            )


class AnswersFileOperator:
    """Answers prepared in a file: things to do count as done, readings are taken by name, in order."""

    source = "answers file"

    def __init__(self, path: Path, answers: Mapping[str, Sequence[str]], hands: Operator | None = None) -> None:
        """`hands` is whoever does what has to be done, where that is not vouched for by the file's author."""
        self.idle = nothing_to_do
        self._path = path
        self._hands = hands
        self._answers = {name: deque(values) for name, values in answers.items()}

    def tell(self, text: str, board: Board | None) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.tell(text, board)

    def start_drive(self, order: DriveOrder) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.start_drive(order)

    def load(self, program: Program) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.load(program)

    def untether(self, say: str) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.untether(say)

    def retether(self, say: str) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.retether(say)

    def ask_for_dump(self, what: str) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.ask_for_dump(what)

    def switch_off(self) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.switch_off()

    def place(self, course_file: Path, course_title: str, pose: CellPose) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.place(course_file, course_title, pose)

    def _next(self, name: str) -> str:
        if not self._answers.get(name):
            known = ", ".join(sorted(key for key, left in self._answers.items() if left)) or "none"
            raise OperatorAbsent(
                f"no answer is left for '{name}'",
                where=str(self._path),
                expected=f"one more value under '{name}' (names with answers left: {known})",
                todo="Add it to the file, or run without --answers at a terminal",
            )
        return self._answers[name].popleft()

    def observe(self, step: Observe, pose: CellPose) -> Reading:
        """Take the next value under the step's name."""
        return self._number(step.name, step.what.unit, step.u, is_count=step.what is Observed.CONTACTS)

    def ask(self, name: str, question: str, unit: str) -> Reading:
        """Take the next value under the name."""
        return self._number(name, unit, 0.0)

    def _number(self, name: str, unit: str, u: float, *, is_count: bool = False) -> Reading:
        said = self._next(name)
        try:
            return Reading(value=read_quantity(said, unit, is_count=is_count), unit=unit, u=u, said=said)
        except QuantityError as error:
            raise UsageError(
                f"the answer for '{name}' cannot be read: {error}",
                where=str(self._path),
                expected=_expected(unit),
                todo="Correct the file",
            ) from None

    def consent(self, cautions: Sequence[str]) -> None:
        """Refuse: a file cannot see whether hands are clear. The caller asks only without --unattended."""
        raise OperatorAbsent(
            "an answers file cannot agree to the cautions",
            where=str(self._path),
            todo="Add --unattended if somebody has made the bench safe",
        )
