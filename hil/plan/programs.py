"""Which program a case runs on, what is known of a drive on it, and the order in which programs change seldom.

Loading a program takes a person a minute, so cases that need the loaded one go first as long as their `needs` allow.
Otherwise the order of the files stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from hil.measure.method import TWO_OUTPUTS
from hil.measure.model import Robot
from hil.spec.robot_values import Program, RobotFile
from hil.spec.suite_values import Case, DriveStep, Suite
from hil.wire.dialect import Dialect

MOST_STATES = 5000  # looked at for the fewest changes; four programs and thirty cases stay far below
_Done = frozenset[int]


def reported_channels(program: Program, dialect: Dialect) -> frozenset[str]:
    """Return the channels that tell of a drive on this program, and the word "events" where it tells of these.

    They are those of its telemetry, or of its log where it drives without a cable, and what it takes down on a bench.
    """
    channels = (dialect.channels if program.cable else dialect.logged_channels) | dialect.taken_channels
    events = dialect.has_events if program.cable else "event" in dialect.logged_channels
    return channels | {"events"} if events else channels


def reported_in(case: Case, program: Program, dialect: Dialect, robot: Robot) -> frozenset[str]:
    """Return what a program can report of a case: where the case drives nothing, the cable stays in.

    That the robot's encoders have two outputs is among it; a robot file that does not say is taken to have them.
    """
    drives = any(isinstance(step, DriveStep) for step in (*case.setup, *case.sequence, *case.operator_sequence))
    channels = reported_channels(program if drives else replace(program, cable=True), dialect)
    has_two = robot.encoder is None or robot.encoder.channels == 2
    return channels | {TWO_OUTPUTS} if has_two else channels


def changes_of(cases: Sequence[tuple[Suite, Case]], robot: RobotFile, loaded: str = "") -> int:
    """Return how often a program is loaded when the cases run in this order, from `loaded` on ("": any to begin with).

    A case that no program can run loads none.
    """
    changes = 0
    for _, case in cases:
        program = robot.program_for(case.program, loaded)
        if program is not None and program.name != loaded:
            changes += bool(loaded)
            loaded = program.name
    return changes


def order_cases(suites: Sequence[Suite], robot: RobotFile, loaded: str = "") -> list[tuple[Suite, Case]]:
    """Return the cases in the order to run them: every need before its case, programs changed as seldom as possible.

    Of the orders with the fewest changes it is the one nearest to the files' order, case by case. `loaded` is the
    program that the robot carries to begin with; "" leaves the first one free.
    """
    return _Ordering(suites, robot).order(loaded)


class _Ordering:
    """The cases by number, in the order of the files."""

    def __init__(self, suites: Sequence[Suite], robot: RobotFile) -> None:
        self._robot = robot
        self._cases = [(suite, case) for suite in suites for case in suite.cases]
        self._needs: list[_Done] = []
        begin = 0
        for suite in suites:
            numbers = {case.name: begin + index for index, case in enumerate(suite.cases)}
            self._needs += [frozenset(numbers[name] for name in case.needs if name in numbers) for case in suite.cases]
            begin += len(suite.cases)
        self._fewest: dict[tuple[_Done, str], int] = {}
        self._looked_at = 0

    def order(self, loaded: str) -> list[tuple[Suite, Case]]:
        done: _Done = frozenset()
        ordered: list[int] = []
        left = self._changes(done, loaded)
        while len(ordered) < len(self._cases):
            number, program, left = self._next(done, loaded, left)
            ordered.append(number)
            done, loaded = done | {number}, program
        return [self._cases[number] for number in ordered]

    def _next(self, done: _Done, loaded: str, left: int) -> tuple[int, str, int]:
        """Return the first case that leaves the fewest changes, the program it runs on, and the changes left then."""
        best: tuple[int, int, str] | None = None
        for number in self._open(done):
            program = self._program(number, loaded)
            cost = int(program != loaded and loaded != "")
            after = self._changes(done | {number}, program)
            if best is None or cost + after < best[0]:
                best = (cost + after, number, program)
                if cost + after <= left:
                    break
        assert best is not None  # noqa: S101  (cases need only earlier ones, so one is always open)
        total, number, program = best
        return number, program, total - int(program != loaded and loaded != "")

    def _program(self, number: int, loaded: str) -> str:
        found = self._robot.program_for(self._cases[number][1].program, loaded)
        return loaded if found is None else found.name

    def _open(self, done: _Done) -> list[int]:
        """Return the cases not done whose needs are, in the order of the files."""
        return [number for number, needs in enumerate(self._needs) if number not in done and needs <= done]

    def _closed(self, done: _Done, loaded: str) -> _Done:
        """Return what is done once all has been run that needs no other program; running it early is never worse."""
        while True:
            ready = [number for number in self._open(done) if self._program(number, loaded) == loaded]
            if not ready:
                return done
            done = done | frozenset(ready)

    def _after(self, done: _Done, loaded: str) -> set[tuple[_Done, str]]:
        """Return what can be reached by one change; at least one case more is done in each."""
        programs = {self._program(number, loaded) for number in self._open(done)}
        return {(self._closed(done, program), program) for program in programs}

    def _changes(self, done: _Done, loaded: str) -> int:
        """Return the fewest changes that finish the cases, by breadth; beyond the bound, those of a greedy order."""
        start = (self._closed(done, loaded), loaded)
        if start in self._fewest:
            return self._fewest[start]
        frontier, seen, changes = {start}, {start}, 0
        while not any(len(state[0]) == len(self._cases) for state in frontier):
            changes += 1
            following = {after for state in frontier for after in self._after(*state)} - seen
            self._looked_at += len(following)
            if self._looked_at > MOST_STATES:
                following = {max(following, key=lambda state: (len(state[0]), sorted(state[0]), state[1]))}
            frontier = following
            seen |= frontier
        fewest = changes - (1 if changes and not loaded else 0)
        self._fewest[start] = fewest
        return fewest
