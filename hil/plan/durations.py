"""How long things take: the robot by its speed profile, the person by rules of thumb (common practice, no source)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from hil.measure.model import ElementKind, PathElement
from hil.results import Route
from hil.spec.bench_values import HandTurn, Jig, Lamps, LoadResistor, Spin, Stand, Taken
from hil.spec.suite_values import (
    Ask,
    Case,
    DriveStep,
    Load,
    Observe,
    Pause,
    Place,
    Retether,
    Step,
    Suite,
    Tell,
    Untether,
)

SPEED_MM_S = 300.0  # where neither suite nor robot says otherwise
ACCELERATION_MM_S2 = 2000.0
TURN_RATE_RAD_S = 6.0
TURN_ACCELERATION_RAD_S2 = 60.0
SETTLING_S = 0.06  # standing after each straight and turn
RESTING_S = 0.1  # standing at the end of a drive

# What a practised person needs. Building a course is counted once for every change of course.
TELLING_S = 15.0
PLACING_S = 20.0
OBSERVING_S = 20.0
ASKING_S = 10.0
BOARD_S = 15.0
BUILDING_S = 180.0
STARTING_S = 10.0  # a drive by the robot's button: press it, step back, say that the robot stands
PLUGGING_S = 15.0  # the cable, out or in
LOADING_S = 60.0  # another program, with the cable, the tool for the controller and the wait for its first line
STANDING_S = 20.0  # on the stand, the wheels seen to be free
SWITCHING_S = 10.0  # the lamps
SETTING_S = 10.0  # a board in a jig, moved to its next mark
HAND_TURN_S = 1.0  # a turn of a wheel by hand
READY_S = 5.0  # before and after such turns
DUMPING_S = 6.0  # a recording: four thousand edges at 115200 baud

_PERSON_S = {
    Stand: STANDING_S,
    Lamps: SWITCHING_S,
    LoadResistor: SWITCHING_S,
    Place: PLACING_S,
    Observe: OBSERVING_S,
    Ask: ASKING_S,
    Load: LOADING_S,
    Untether: PLUGGING_S,
    Retether: PLUGGING_S,
}


def profile_time_s(distance: float, speed: float, acceleration: float) -> float:
    """Return the time of a move from rest to rest: a trapezoid of speed, or a triangle where it is too short for one.

    Any consistent units: mm and mm/s, or rad and rad/s.
    """
    if distance >= speed * speed / acceleration:
        return distance / speed + speed / acceleration
    return 2 * math.sqrt(distance / acceleration)


def legs_of(path: Sequence[PathElement]) -> tuple[tuple[PathElement, ...], ...]:
    """Return the moves of a path: straights that follow each other are one, a turn stands alone."""
    legs: list[list[PathElement]] = []
    for element in path:
        if element.kind is ElementKind.AHEAD and legs and legs[-1][-1].kind is ElementKind.AHEAD:
            legs[-1].append(element)
        else:
            legs.append([element])
    return tuple(tuple(leg) for leg in legs)


def drive_time_s(path: Sequence[PathElement], pitch_mm: float, speed_mm_s: float) -> float:
    """Return how long one path takes the robot, standing times included."""
    total = RESTING_S
    for leg in legs_of(path):
        total += SETTLING_S
        if leg[0].kind is ElementKind.AHEAD:
            length_mm = pitch_mm * sum(element.cells for element in leg)
            total += profile_time_s(length_mm, speed_mm_s, ACCELERATION_MM_S2)
        else:
            total += profile_time_s(abs(leg[0].kind.angle_rad), TURN_RATE_RAD_S, TURN_ACCELERATION_RAD_S2)
    return total


def robot_time_s(step: Step, pitch_mm: float, speed_mm_s: float = SPEED_MM_S) -> float:
    """Return how long a step takes the robot; a wait counts nothing, since it mostly ends at once."""
    if isinstance(step, DriveStep):
        return step.times * drive_time_s(step.path, pitch_mm, step.speed_mm_s or speed_mm_s)
    dumping_s = DUMPING_S if isinstance(step, Pause | Spin) and step.takes in (Taken.EDGES, Taken.TICKS) else 0.0
    if isinstance(step, Pause):
        return step.duration_s + dumping_s
    if isinstance(step, Spin):
        return step.settle_s + step.duration_s + RESTING_S + dumping_s
    if isinstance(step, Jig):
        return step.boards * step.duration_s
    return step.turns * HAND_TURN_S if isinstance(step, HandTurn) else 0.0


def person_time_s(step: Step, *, by_button: bool = False) -> float:
    """Return how long a step takes the person; `by_button` where a person starts the drives."""
    if isinstance(step, Tell):
        return BOARD_S if step.board else TELLING_S
    if isinstance(step, DriveStep):
        return step.times * STARTING_S if by_button else 0.0
    if isinstance(step, HandTurn):
        return READY_S + step.turns * HAND_TURN_S
    if isinstance(step, Jig):
        return step.boards * (SETTING_S + step.duration_s)
    if isinstance(step, Spin):
        return STARTING_S if by_button else 0.0
    return _PERSON_S.get(type(step), 0.0)


def sequence_of(case: Case, *, by_person: bool) -> tuple[Step, ...]:
    """Return the steps of one round by a route; none where the case has none for the operator, and is not run."""
    return case.steps(by_person=by_person)


def case_time_s(case: Case, *, by_person: bool, speed_mm_s: float = SPEED_MM_S) -> float:
    """Return how long a case takes with all its rounds; without a person's times where the person is virtual.

    `by_person` chooses the operator's sequence and counts the time that instructions and readings take.
    """
    if by_person and not case.has_person_route:
        return 0.0
    rounds = [case.setup] + [sequence_of(case, by_person=by_person)] * case.rounds(by_person=by_person).at_most
    steps: list[Step] = [step for steps in rounds for step in steps]
    total = sum(robot_time_s(step, case.course.pitch_mm, speed_mm_s) for step in steps)
    return total + (sum(person_time_s(step) for step in steps) if by_person else 0.0)


def suites_time_s(suites: Iterable[Suite], *, by_person: bool, speed_mm_s: float = SPEED_MM_S) -> float:
    """Return how long all cases of the suites take."""
    return sum(
        case_time_s(case, by_person=by_person, speed_mm_s=speed_mm_s) for suite in suites for case in suite.cases
    )


def route_time_s(suites: Iterable[Suite], route: Route, speed_mm_s: float = SPEED_MM_S) -> float:
    """Return how long all cases take by a route; by both, each case goes through both of its sequences."""
    ways = {Route.TELEMETRY: (False,), Route.OPERATOR: (True,), Route.BOTH: (False, True)}[route]
    return sum(
        case_time_s(case, by_person=by_person, speed_mm_s=speed_mm_s)
        for suite in suites
        for case in suite.cases
        for by_person in (ways if case.operator_sequence else ways[:1])
    )
