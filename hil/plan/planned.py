"""A plan as plain values: steps with poses and times, the parts of a case by either route, cases, and the whole."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hil.measure.model import CellPose, Heading
from hil.plan.durations import BUILDING_S, LOADING_S
from hil.plan.reporting import Reporting
from hil.plan.resolution import Resolution
from hil.results import Route
from hil.spec.bench_values import Jig
from hil.spec.robot_values import RobotFile
from hil.spec.suite_values import Ask, Case, Observe, Place, Step, Tell

Boards = Mapping[tuple[tuple[int, int], Heading], float]  # thickness in mm by cell and side


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """A step with the nominal pose before and after it (None: not placed yet), and the boards that lie meanwhile.

    `in_first` and `in_later` say in which rounds it is made: what is done with the cable depends on where it was left.
    `note` tells what goes with it.
    """

    step: Step
    before: CellPose | None
    after: CellPose | None
    boards: Boards
    robot_s: float
    person_s: float
    in_first: bool = True
    in_later: bool = True
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPart:
    """What one route does in a case: one round of its steps, how often that is gone through, what it can resolve.

    A person who reads where the robot's steps ask for it has a part without steps of its own.
    """

    by_person: bool
    steps: tuple[PlannedStep, ...]
    rounds: int
    resolutions: tuple[Resolution, ...]

    @property
    def all_steps(self) -> tuple[PlannedStep, ...]:
        """The steps of all rounds in order."""
        first = tuple(step for step in self.steps if step.in_first)
        return first + tuple(step for step in self.steps if step.in_later) * (self.rounds - 1) if self.rounds else ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCase:
    """A case: its set-up, its parts by either route, and what stands against it; without parts it is not run.

    `program` is the one it runs on ("": none can), `loads` whether that is loaded before it in place of another.
    `problems` are sentences that say why this robot cannot run the case as it is planned, `unmeasured` the
    measurements that no part makes.
    """

    suite: str
    case: Case
    setup: tuple[PlannedStep, ...] = ()
    parts: tuple[PlannedPart, ...] = ()
    builds_course: bool = False
    problems: tuple[str, ...] = ()
    unmeasured: tuple[str, ...] = ()
    program: str = ""
    loads: bool = False

    @property
    def sequence(self) -> tuple[PlannedStep, ...]:
        """One round of the first part."""
        return self.parts[0].steps if self.parts else ()

    @property
    def resolutions(self) -> tuple[Resolution, ...]:
        """What can be resolved, by all parts."""
        return tuple(one for part in self.parts for one in part.resolutions)

    @property
    def steps(self) -> tuple[PlannedStep, ...]:
        """All steps in order, every round counted."""
        return self.setup + tuple(step for part in self.parts for step in part.all_steps)

    @property
    def robot_s(self) -> float:
        """How long the robot is busy."""
        return sum(planned.robot_s for planned in self.steps)

    @property
    def person_s(self) -> float:
        """How long the person is busy."""
        # A clear table for a stand or a jig has no walls to put up.
        building_s = BUILDING_S if self.builds_course and self.case.course.walls else 0.0
        return sum(planned.person_s for planned in self.steps) + building_s + (LOADING_S if self.loads else 0.0)

    def count(self, *kinds: type) -> int:
        """Return how many steps are of these kinds."""
        return sum(isinstance(planned.step, kinds) for planned in self.steps)

    @property
    def placements(self) -> int:
        """How often the robot is placed by hand."""
        return self.count(Place)

    @property
    def readings(self) -> int:
        """How many things the person reads or answers."""
        return self.count(Observe, Ask)

    @property
    def board_moves(self) -> int:
        """How often a board is laid on, changed or taken off, and moved in a jig."""
        laid = sum(isinstance(planned.step, Tell) and planned.step.board is not None for planned in self.steps)
        return laid + sum(planned.step.boards for planned in self.steps if isinstance(planned.step, Jig))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole plan for one robot by one route and class of tolerances.

    `reporting` is how the programs that the cases run on report, by their names.
    """

    robot: RobotFile
    route: Route
    robot_class: str
    cases: tuple[PlannedCase, ...]
    reporting: Mapping[str, Reporting]

    @property
    def robot_s(self) -> float:
        """How long the robot is busy."""
        return sum(case.robot_s for case in self.cases)

    @property
    def person_s(self) -> float:
        """How long the person is busy."""
        return sum(case.person_s for case in self.cases)

    @property
    def loads(self) -> int:
        """How often a program is loaded in place of another."""
        return sum(case.loads for case in self.cases)

    @property
    def problems(self) -> tuple[str, ...]:
        """What stands against running it, a sentence each, with the case in front."""
        return tuple(f"{case.suite}/{case.case.name}: {text}" for case in self.cases for text in case.problems)
