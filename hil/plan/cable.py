"""The cable in a case: what stands against taking it off, and where it is taken off though no step says so.

Without its cable a robot hears no command, so only a person can start a drive; and what it kept on board can be taken
over only where its protocol says in which form it comes. A program that drives without its cable has it taken off for
every drive; it is plugged in again when the port is needed next, and at the end of a round what the robot kept is
taken over, where the run takes numbers from the robot.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from hil.spec.bench_values import HandTurn, Jig, Spin
from hil.spec.robot_values import Drives, Program
from hil.spec.suite_values import ChangeSettings, Collect, Do, DriveStep, Load, Pause, Retether, Step, Untether, Wait
from hil.wire.dialect import Dialect


def why_not_without_cable(steps: Iterable[Step], program: Program, dialect: Dialect) -> str:
    """Return why the steps cannot be gone through on this program, "" where they can.

    Steps after one that loads another program are not looked at.
    """
    is_off = False
    for step in steps:
        match step:
            case Load():
                return ""
            case Untether():
                is_off = True
            case Retether():
                is_off = False
            case DriveStep() if is_off and program.drives_by is not Drives.OPERATOR:
                return (
                    f"'{step.name}' is to be driven without the cable, and the program '{program.name}' is driven by "
                    f"{program.drives_by.value}, which needs it; a program with 'drives_by: operator' can be started "
                    "by a person"
                )
            case Collect() if all(block.name != step.what for block in dialect.blocks):
                known = ", ".join(f"'{block.name}'" for block in dialect.blocks) or "none"
                return (
                    f"the robot's {step.what} is to be taken over, and the protocol {dialect.name} has no block "
                    f"message '{step.what}' (it has {known})"
                )
            case _:
                pass
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tether:
    """How things are between two steps: whether the cable is off, and only for a drive, and whether a log waits."""

    is_off: bool = False
    is_left_off: bool = False
    has_log: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Tethered:
    """A step as it is really gone through; `is_given` where it stands in the suite.

    `again` is how often the cable goes in, the log is taken over and the cable comes off in the midst of it, `in_first`
    and `in_later` in which rounds it is made.
    """

    step: Step
    is_given: bool = True
    again: int = 0
    in_first: bool = True
    in_later: bool = True


def with_the_cable(
    steps: Sequence[Step], program: Program | None, before: Tether, *, takes_log: bool, rounds: int
) -> tuple[tuple[Tethered, ...], Tether]:
    """Return the steps of so many rounds with what is done with the cable between them, and how things are after all.

    `takes_log` where the run takes numbers from the robot. No rounds: the steps are those of a set-up, made once. After
    a step that loads another program nothing is put in.
    """
    first, after = _once(steps, program, before, takes_log=takes_log, is_round=rounds > 0)
    if rounds < 2:
        return first, after
    later, after = _once(steps, program, after, takes_log=takes_log, is_round=True)
    return _merged(first, later), after


def _once(
    steps: Sequence[Step], program: Program | None, before: Tether, *, takes_log: bool, is_round: bool
) -> tuple[tuple[Tethered, ...], Tether]:
    walk = _Walk(program, before, takes_log=takes_log)
    found = [one for step in steps for one in walk.through(step)]
    if is_round:
        found += walk.log_taken_over()
    return tuple(found), walk.now


def _merged(first: Sequence[Tethered], later: Sequence[Tethered]) -> tuple[Tethered, ...]:
    """Return two goings through the same steps as one; they differ at most in what was put in."""
    merged: list[Tethered] = []
    for one, other in zip(_groups(first), _groups(later), strict=True):
        merged += [replace(step, in_later=any(step.step == each.step for each in other)) for step in one]
        merged += [replace(step, in_first=False) for step in other if not any(step.step == each.step for each in one)]
    return tuple(merged)


def _groups(steps: Sequence[Tethered]) -> list[list[Tethered]]:
    """Return the steps in groups that each begin with a given one; the first holds what comes before any."""
    groups: list[list[Tethered]] = [[]]
    for step in steps:
        if step.is_given:
            groups.append([])
        groups[-1].append(step)
    return groups


class _Walk:
    """Goes through steps as the engine does and says what it does with the cable."""

    def __init__(self, program: Program | None, before: Tether, *, takes_log: bool) -> None:
        self._program = program
        self._takes_log = takes_log
        self.now = before

    def through(self, step: Step) -> Iterator[Tethered]:
        """Yield a step, and before it what it asks for."""
        match step:
            case Untether():
                self.now = replace(self.now, is_off=True, is_left_off=False)
            case Retether():
                self.now = replace(self.now, is_off=False, is_left_off=False)
            case Load():
                yield from self._plugged_in()
                self._program = None
            case DriveStep():
                yield from self._driven(step)
                return
            case Collect():
                yield from self._plugged_in()
                self.now = replace(self.now, has_log=False)
            case Wait() | Do() | ChangeSettings() | Spin() | HandTurn() | Jig():
                yield from self._plugged_in()
            case Pause() if step.name:
                yield from self._plugged_in()
            case _:
                pass
        yield Tethered(step=step)

    def log_taken_over(self) -> Iterator[Tethered]:
        """Yield what is done where a log waits."""
        if self.now.has_log and self._takes_log:
            yield from self._plugged_in()
            yield Tethered(step=Collect(), is_given=False)
            self.now = replace(self.now, has_log=False)

    def _driven(self, step: DriveStep) -> Iterator[Tethered]:
        # Whether the next drive is safe is told from the log of those before it.
        looks_first = self._takes_log and step.only_while is not None
        if looks_first:
            yield from self.log_taken_over()
        if self._program is not None and not self._program.cable and not self.now.is_off:
            yield Tethered(step=Untether(), is_given=False)
            self.now = replace(self.now, is_off=True, is_left_off=True)
        yield Tethered(step=step, again=step.times - 1 if looks_first and self.now.is_left_off else 0)
        self.now = replace(self.now, has_log=self.now.has_log or self.now.is_off)

    def _plugged_in(self) -> Iterator[Tethered]:
        if self.now.is_left_off:
            yield Tethered(step=Retether(), is_given=False)
            self.now = replace(self.now, is_off=False, is_left_off=False)
