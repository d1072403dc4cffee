"""A person at the terminal: told, asked, shown where to measure.

Prompts go to standard error, so that standard output stays the program's result. The answer before may be corrected at
a prompt for a reading (`b`), and one may be skipped (`-`: could not be seen). It is asked again where an answer cannot
be read, and where no robot in a maze gives such a value, until the person says it twice. While the person thinks, the
ports are read.
"""

from __future__ import annotations

import math
import sys
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TextIO

from hil.engine.bench_words import jig_in_words, read_distance, spin_in_words
from hil.engine.drawings import drawing_of
from hil.engine.entries import BACK, HELP, NOT_SEEN, expected_entry, is_usual, read_entry
from hil.engine.line_input import LineInput
from hil.engine.operator import (
    Correction,
    DriveOrder,
    Reading,
    describe_pose,
    nothing_to_do,
    question_of,
    two_offsets,
    u_of,
)
from hil.errors import OperatorAbsent
from hil.measure.model import CellPose
from hil.measure.values import CannotMeasureError
from hil.quantities import QuantityError
from hil.spec.robot_values import Program
from hil.spec.suite_values import Board, Instrument, Observe, Observed

_DONE = ("", "done", "ok", "yes", "y")
_TRIES = 20  # a person who cannot give a readable number so often is not reading the prompt
_HELP = """  A number, with or without its unit (1.5, 1,5 mm, 0.15 cm); Enter ends it.
  -   it could not be seen       b   correct the reading before       ?   this"""
_INDENT = "  "
_WIDTH = 79


class _GoBack(Exception):
    """The person wants to correct the reading before."""


class TerminalOperator:
    """A person at the terminal; `read_line`, where given, takes the place of standard input."""

    source = "operator"

    def __init__(self, read_line: Callable[[], str] | None = None, output: TextIO | None = None) -> None:
        self.idle: Callable[[], None] = nothing_to_do
        self._read_line = read_line
        self._input: LineInput | None = None
        self._output = output or sys.stderr
        self._before: tuple[Observe, CellPose] | None = None  # the reading that `b` corrects
        self._corrected: list[Correction] = []
        self._has_helped = False

    # What has to be done

    def tell(self, text: str, board: Board | None) -> None:
        """Show the text and wait for the Enter key."""
        self._show(f"\n{_wrapped(f'To do: {text}')}\n")
        self._wait_until_done()

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
        self._show("\n  Stop the robot at its switch now.\n")

    def place(self, course_file: Path, course_title: str, pose: CellPose) -> None:
        """Show where the robot belongs and wait for the Enter key."""
        self._before = None  # the reading before was of another place, which is gone
        self.tell(f"Place the robot in the centre of {describe_pose(pose)}, on the course '{course_title}'.", None)

    def stand(self) -> None:
        """Say that the robot belongs on its stand, and wait for the Enter key."""
        self._before = None
        self.tell("Put the robot on its stand, so that both wheels are free and nothing touches them.", None)

    def turn_wheel(self, wheel: str, turns: float) -> None:
        """Say which wheel is turned, and wait for the Enter key."""
        self.tell(f"Turn the {wheel} wheel by hand, forward and evenly, {turns:g} turns, about one a second.", None)

    def spin(self, left: float, right: float, duration_s: float) -> None:
        """Say which duties, and wait for the Enter key."""
        self.tell(spin_in_words(left, right, duration_s), None)

    def clip_resistor(self, ohm: float | None, battery_v: float) -> None:
        """Say what is to be clipped on or taken off, with the cautions, and wait for the Enter key."""
        if ohm is None:
            self.tell("Take the resistor off the battery. It is hot.", None)
            return
        power = f", rated for {max(1.0, 1.5 * battery_v**2 / ohm):.0f} W or more" if battery_v else ""
        self.tell(
            f"Clip a resistor of {ohm:g} ohm{power}, across the battery. It becomes hot within seconds: it lies on "
            "something that does not burn, nobody touches it, and it is taken off as soon as that is asked for.",
            None,
        )

    def set_lamps(self, *, are_on: bool) -> None:
        """Say how the lamps belong, and wait for the Enter key."""
        self.tell(f"Switch the room's lamps {'on' if are_on else 'off'}.", None)

    def set_jig(self, sensor: str, surface: str, distance_mm: float, angle_rad: float, remark: str) -> float:
        """Say where the board belongs and ask where it stands; Enter alone: where it was asked for."""
        if remark:
            self._show(f"\n{_wrapped(f'Again: {remark}')}\n")
        self._show(f"\n{_wrapped(jig_in_words(sensor, surface, distance_mm, angle_rad))}\n")
        if math.isinf(distance_mm):
            self._wait_until_done()
            return distance_mm
        doubted: float | None = None
        for _ in range(_TRIES):
            said = self._prompt(f"  Distance as set [Enter: {distance_mm:g} mm]: ")
            try:
                value, doubt = read_distance(said, distance_mm)
            except QuantityError as error:
                wanted = f"a distance such as '{distance_mm:g} mm', or Enter"
                self._show(f"{_wrapped(f'{error}; expected {wanted}.')}\n")
                continue
            if not doubt or value == doubted:
                return value
            doubted = value
            self._show(f"  {doubt} If it is so, type it once more.\n")
        raise _no_answer(f"the distance before {sensor}", f"a distance such as '{distance_mm:g} mm'")

    def keeps(self, doubt: str) -> bool:
        """Show the doubt; Enter (or k) keeps what was read, r reads it again, and anything else is asked once more."""
        self._show(f"\n{_wrapped(f'Doubtful: {doubt}')}\n")
        for _ in range(_TRIES):
            said = self._prompt("  Enter to keep it, r to read it again: ").strip().lower()
            if said.startswith("r"):
                return False
            if said in ("", "k", "keep"):
                return True
        raise _no_answer("what is doubtful", "Enter or r")

    # What has to be read

    def observe(self, step: Observe, pose: CellPose) -> Reading | None:
        """Ask for a reading until one is given that can be read, or it is said that it could not be seen."""
        self._explain(step, pose)
        while True:
            try:
                reading = self._read(step)
            except _GoBack:
                self._correct()
                continue
            self._before = (step, pose)
            return reading

    def corrections(self) -> Sequence[Correction]:
        """Return, and forget, the readings of before that were corrected."""
        corrected, self._corrected = self._corrected, []
        return corrected

    def ask(self, name: str, question: str, unit: str) -> Reading:
        """Ask for a number until one is given that can be read."""
        for _ in range(_TRIES):
            said = self._prompt(f"\n{_wrapped(f'{question}' + (f', in {unit}' if unit else ''))}: ")
            try:
                return Reading(value=read_entry(said, unit), unit=unit, u=0.0, said=said.strip())
            except QuantityError as error:
                self._show(f"  {error}; expected {expected_entry(unit)}.\n")
        raise _no_answer(name, expected_entry(unit))

    def _explain(self, step: Observe, pose: CellPose) -> None:
        drawing = drawing_of(step.what, step.instrument, apart_mm=step.apart_mm, over_mm=step.over_mm)
        mark = f" The mark: {step.mark}." if step.mark else ""
        self._show(f"\n{_wrapped(f'{question_of(step)}{mark}')}\n")
        self._show("\n".join(f"{_INDENT}{line}" for line in drawing.strip("\n").splitlines()) + "\n\n")
        self._show(f"{_wrapped(_by(step))}\n")
        if not self._has_helped:
            self._show(f"{_HELP}\n")
            self._has_helped = True

    def _read(self, step: Observe) -> Reading | None:
        if step.instrument is not Instrument.TWO_OFFSETS:
            return self._number(step, step.unit, step.what, "")
        while True:
            front = self._number(step, "mm", Observed.OFFSET, " f")
            rear = None if front is None else self._number(step, "mm", Observed.OFFSET, " r")
            if front is None or rear is None:
                return None
            try:
                reading = two_offsets(step, front, rear)
            except CannotMeasureError as error:
                self._show(f"  {error}; both again.\n")
                continue
            self._show(f"  That is an angle of {reading.value:.2f} deg.\n")
            return reading

    def _number(self, step: Observe, unit: str, what: Observed, part: str) -> Reading | None:
        """Return one number, None where it could not be seen; raise `_GoBack` where the one before is wanted."""
        doubted: float | None = None
        tries = 0
        while tries < _TRIES:
            said = self._prompt(f"  {step.name}{part}{f' [{unit}]' if unit else ''}: ").strip()
            word = said.lower()
            if word in NOT_SEEN:
                return None
            if word in BACK:
                raise _GoBack
            if word in HELP:
                self._show(f"{_HELP}\n")
                continue
            tries += 1
            try:
                value = read_entry(said, unit, what)
            except QuantityError as error:
                self._show(f"  {error}; expected {expected_entry(unit, what)}.\n")
                continue
            doubt = _doubt_of(step, value, what)
            if not doubt or value == doubted:
                return Reading(value=value, unit=unit, u=u_of(step, value), said=said)
            doubted = value
            self._show(f"  {f'{value:g} {unit}'.rstrip()} is {doubt}. If it is so, type it once more.\n")
        raise _no_answer(step.name, expected_entry(unit, what))

    def _correct(self) -> None:
        if self._before is None:
            self._show("  There is no reading before that could be corrected.\n")
            return
        step, _ = self._before
        self._show(f"  Correcting '{step.name}' ({step.what.value}).\n")
        try:
            reading = self._read(step)
        except _GoBack:
            self._show("  Only the last reading can be corrected.\n")
            return
        self._corrected.append(Correction(step=step, reading=reading))

    def consent(self, cautions: Sequence[str]) -> None:
        """Show the cautions; anything but yes ends the run before the first motion."""
        lines = "".join(f"{_wrapped(caution, '  - ')}\n" for caution in cautions)
        answer = self._prompt(f"\nBefore the robot moves:\n{lines}  Type yes to go on: ")
        if answer.strip().lower() not in ("yes", "y"):
            raise OperatorAbsent(
                "the cautions were not agreed to",
                where="before the first motion",
                expected="yes",
                todo="Nothing has moved. Start again when the bench is safe",
            )

    # The terminal

    def _show(self, text: str) -> None:
        self._output.write(text)
        self._output.flush()

    def _wait_until_done(self) -> None:
        """Wait for Enter alone: what a person types out of step is no leave to go on, and wheels may turn by it."""
        for _ in range(_TRIES):
            said = self._prompt("  Press Enter when it is done. ").strip().lower()
            if said in _DONE:
                return
            self._show(f"  That is no answer here ({said[:20]!r}); Enter alone goes on.\n")
        raise _no_answer("what is to be done", "Enter")

    def _prompt(self, text: str) -> str:
        self._show(text)
        line = self._line()
        if not line:
            raise OperatorAbsent(
                "an answer is needed and the input has ended",
                where="the operator's terminal",
                todo="Run at a terminal, or give the answers with --answers FILE",
            )
        return line.rstrip("\n")

    def _line(self) -> str:
        if self._read_line is not None:
            return self._read_line()
        if self._input is None:
            self._input = LineInput(sys.stdin.fileno())
        try:
            return self._input.read(self.idle)
        except KeyboardInterrupt:
            self._show("\n")  # what is said next begins a line of its own
            raise


def _wrapped(text: str, begin: str = _INDENT) -> str:
    """Return a text in lines that fit a terminal of 80 columns."""
    return textwrap.fill(text, _WIDTH, initial_indent=begin, subsequent_indent=" " * len(begin))


def _by(step: Observe) -> str:
    """Return the line that says what to read with, and how well that can be done."""
    unit = "mm" if step.instrument is Instrument.TWO_OFFSETS else step.unit
    text = f"By {step.instrument.value}" + (f", in {unit}" if unit else "")
    if step.resolution:
        text += f", to the nearest {f'{step.resolution:g} {unit}'.rstrip()}"
    if step.share:
        bound = f" + {step.u * math.sqrt(3):.3g} {unit}" if step.u else ""
        return f"{text}; good to {100 * step.share:g} %{bound}, as its maker states."
    if not step.u:
        return f"{text}."
    return f"{text}; good to {f'{2 * step.u:.2g} {unit}'.rstrip()}, two standard uncertainties."


def _no_answer(name: str, expected: str) -> OperatorAbsent:
    return OperatorAbsent(
        f"no readable answer for '{name}' in {_TRIES} tries",
        where="the operator's terminal",
        expected=expected,
        todo="Start the run again when the reading can be taken",
    )


def _doubt_of(step: Observe, value: float, what: Observed) -> str:
    """Return what is strange about a number, "" where nothing is."""
    if value < step.lowest:
        return f"below the {step.lowest:g} {step.unit} that it must have, and the run would end"
    if not is_usual(value, what, passage_mm=step.passage_mm, pitch_mm=step.pitch_mm):
        return "nothing that a robot in this maze shows"
    return ""
