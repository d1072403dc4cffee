"""The plan: suites, cases and steps in order, the robot's pose after each, times, the person's part, resolutions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Course
from hil.plan.cable import Tether, Tethered, with_the_cable
from hil.plan.design import design_of
from hil.plan.durations import PLUGGING_S, person_time_s, robot_time_s
from hil.plan.planned import Boards, Plan, PlannedCase, PlannedPart, PlannedStep
from hil.plan.problems import problems_of
from hil.plan.programs import order_cases, reported_in
from hil.plan.reporting import Reporting, reporting_of
from hil.plan.resolution import Resolution, resolution
from hil.results import Route
from hil.spec.robot_values import Drives, Program, RobotFile
from hil.spec.suite_values import Case, DriveStep, Place, Step, Suite, Tell
from hil.wire.dialect import Dialect

_AGAIN = "after each of them but the last the cable goes in, the log is taken over, and the cable comes off"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Where:
    """How things stand between two steps: the robot's nominal pose, the boards that lie, the cable."""

    pose: CellPose | None = None
    boards: Boards
    tether: Tether


def build_plan(
    suites: Sequence[Suite],
    robot: RobotFile,
    dialects: Mapping[str, Dialect],
    *,
    route: Route = Route.TELEMETRY,
    robot_class: str = "",
) -> Plan:
    """Plan the cases of `suites` on a robot; `dialects` holds the protocols of its programs by protocol name.

    `robot_class` "" takes the robot's own. Problems are collected in the plan, not raised.
    """
    chosen = robot_class or robot.robot.robot_class
    cases: list[PlannedCase] = []
    course = loaded = ""
    tether = Tether()
    for suite, case in order_cases(suites, robot):
        program = robot.program_for(case.program, loaded)
        planning = _Planning(case, robot, program, dialects, route, chosen)
        if route is Route.OPERATOR and not case.has_person_route:
            cases.append(PlannedCase(suite=suite.name, case=case))
        else:
            loads = program is not None and loaded not in ("", program.name)
            planned, tether = planning.planned(suite.name, Tether() if loads else tether)
            cases.append(replace(planned, builds_course=case.course.name != course, loads=loads))
            loaded = program.name if program is not None else loaded
        course = case.course.name
    used = {case.program: robot.programs[case.program] for case in cases if case.program}
    reporting = {
        name: reporting_of(one, dialects[one.protocol]) for name, one in used.items() if one.protocol in dialects
    }
    return Plan(robot=robot, route=route, robot_class=chosen, cases=tuple(cases), reporting=reporting)


class _Planning:
    """One case being planned on the program that it runs on."""

    def __init__(
        self,
        case: Case,
        robot: RobotFile,
        program: Program | None,
        dialects: Mapping[str, Dialect],
        route: Route,
        robot_class: str,
    ) -> None:
        self._case, self._robot, self._program = case, robot, program
        self._dialect = dialects.get(program.protocol) if program else None
        self._route, self._class = route, robot_class

    def planned(self, suite: str, tether: Tether) -> tuple[PlannedCase, Tether]:
        """Return the case and how the cable is after it."""
        case = self._case
        before = _Where(boards={}, tether=replace(tether, has_log=False))
        setup, where = self._followed(case.setup, before, rounds=0)
        parts = []
        for by_person, steps in self._sequences():
            rounds = self._rounds(by_person=by_person) if steps else 0
            followed, where = self._followed(steps, where, rounds=rounds) if steps else ((), where)
            found = tuple(self._resolutions(by_person=by_person))
            parts.append(PlannedPart(by_person=by_person, steps=followed, rounds=rounds, resolutions=found))
        ways = [by_person for by_person, steps in self._sequences() if steps]
        problems = [
            text
            for by_person in ways
            for text in problems_of(case, self._robot, self._program, self._dialect, by_person=by_person)
        ]
        missing = [case.unmeasured(by_person=part.by_person) for part in parts]
        planned = PlannedCase(
            suite=suite,
            case=case,
            setup=setup,
            parts=tuple(parts),
            problems=tuple(dict.fromkeys(problems)),
            unmeasured=tuple(name for name in missing[0] if all(name in other for other in missing)),
            program=self._program.name if self._program else "",
        )
        return planned, where.tether

    def _sequences(self) -> list[tuple[bool, tuple[Step, ...]]]:
        """Return whose sequences are gone through, in order; a person who only reads along has no steps."""
        case = self._case
        if self._route is Route.OPERATOR:
            return [(True, case.steps(by_person=True))]
        if self._route is Route.BOTH and case.operator_sequence:
            return [(False, case.sequence), (True, case.operator_sequence)]
        reads_along = not case.operator_sequence and case.has_person_route
        return [(False, case.sequence), *([(True, ())] if reads_along else [])]

    def _rounds(self, *, by_person: bool) -> int:
        return self._case.rounds(by_person=by_person).at_most

    def _followed(self, steps: Sequence[Step], where: _Where, *, rounds: int) -> tuple[tuple[PlannedStep, ...], _Where]:
        """Follow the nominal pose, the boards and the cable through one sequence."""
        takes_log = self._route is not Route.OPERATOR
        with_cable, tether = with_the_cable(steps, self._program, where.tether, takes_log=takes_log, rounds=rounds)
        planned: list[PlannedStep] = []
        pose, boards = where.pose, where.boards
        for one in with_cable:
            before, step = pose, one.step
            pose = _pose_after(step, pose, self._case.course)
            if isinstance(step, Tell) and step.board is not None:
                laid = {(step.board.cell, step.board.side): step.board.thickness_mm}
                boards = {place: thickness for place, thickness in {**boards, **laid}.items() if thickness > 0}
            planned.append(self._step(one, before, pose, boards))
        return tuple(planned), _Where(pose=pose, boards=boards, tether=tether)

    def _step(self, one: Tethered, before: CellPose | None, after: CellPose | None, boards: Boards) -> PlannedStep:
        by_button = self._program is not None and self._program.drives_by is Drives.OPERATOR
        return PlannedStep(
            step=one.step,
            before=before,
            after=after,
            boards=boards,
            robot_s=robot_time_s(one.step, self._case.course.pitch_mm, self._robot.robot.speed_mm_s),
            person_s=person_time_s(one.step, by_button=by_button) + 2 * one.again * PLUGGING_S,
            in_first=one.in_first,
            in_later=one.in_later,
            note=_AGAIN if one.again else "",
        )

    def _resolutions(self, *, by_person: bool) -> list[Resolution]:
        case, program, dialect = self._case, self._program, self._dialect
        reported = frozenset(need for m in METHODS.values() for need in m.needs)
        reporting = Reporting()
        if program is not None and dialect is not None:
            reported = reported_in(case, program, dialect, self._robot.robot)
            reporting = reporting_of(program, dialect)
        measures = {measure.name: measure for measure in case.measures}
        found = []
        for assertion in case.asserted(by_person=by_person):
            measure, limit = measures.get(assertion.measurement), assertion.limits.get(self._class)
            if measure is None or limit is None:
                continue
            parameters = measure.operator_parameters if by_person else measure.parameters
            design = design_of(
                case,
                self._robot.robot,
                parameters.of,
                by_person=by_person,
                reporting=reporting,
                is_whole=self._route is Route.BOTH,
            )
            found.append(resolution(measure, limit.tolerance, design, by_person=by_person, channels=reported))
        return found


def _pose_after(step: Step, pose: CellPose | None, course: Course) -> CellPose | None:
    if isinstance(step, Place):
        return step.pose
    if isinstance(step, DriveStep) and pose is not None:
        for element in step.path * step.times:
            pose = course.after(pose, element)
    return pose
