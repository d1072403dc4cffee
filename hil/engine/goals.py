"""A path as goal cells: how a robot that knows only cells to go to is made to drive it.

Such a robot turns on its way to a cell and not at the end of one: an about turn belongs to the goal after it, and a
turn that ends a path is made at the beginning of the next drive. It takes the shortest way there is, so a path is
driven by it only where that way is the path's. It turns about to its own side whatever the path says. What a path asks
for and the robot cannot be told is refused; what is really driven is returned, and is what the trace says.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from hil.measure.model import CellPose, Course, ElementKind, Heading, PathElement
from hil.spec.robot_values import Choice, MazeLogic

_TURNS = {1: ElementKind.RIGHT, 3: ElementKind.LEFT}
_Cell = tuple[int, int]


class CannotBeDrivenError(Exception):
    """A path that the robot's maze logic would not drive; the text is a clause that says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """A cell to go to, the walls to steer by on the way, and the way as elements of a path."""

    cell: _Cell
    tracking: str
    way: tuple[PathElement, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalPlan:
    """A path as goals. `path` is what will be driven, from the pose asked about to `end`.

    `owed` are the quarter turns to the right that the path ends with and that the next drive begins with.
    """

    goals: tuple[Goal, ...]
    path: tuple[PathElement, ...]
    end: CellPose
    owed: int

    def differs_from(self, path: Sequence[PathElement]) -> bool:
        """Tell whether what is driven is not the path as written."""
        return self.path != tuple(path)


def goals_of(
    path: Sequence[PathElement], start: CellPose, course: Course, logic: MazeLogic, front: str, owed: int = 0
) -> GoalPlan:
    """Return the goals of a path from `start`, where `owed` quarter turns to the right are still to be made.

    Raises `CannotBeDrivenError`.
    """
    _check_front(logic, front)
    goals: list[Goal] = []
    pose, turn, may_turn = start, owed % 4, True
    for stretch in _stretches(path):
        kind = stretch[0].kind
        if kind is not ElementKind.AHEAD:
            if not may_turn:
                raise CannotBeDrivenError(
                    "it turns twice on one spot, and the maze logic turns only on its way to a cell"
                )
            turn, may_turn = (turn + kind.quarters_right) % 4, False
            continue
        goal, pose = _goal(stretch, pose, turn, course, logic)
        goals.append(goal)
        turn, may_turn = 0, True
    if not goals:
        raise CannotBeDrivenError("it goes to no other cell, and the maze logic turns only on its way to one")
    joined = _joined(goals, start, course, logic)
    return GoalPlan(goals=joined, path=tuple(e for goal in joined for e in goal.way), end=pose, owed=turn)


def _stretches(path: Sequence[PathElement]) -> list[list[PathElement]]:
    """Return the path in pieces: a turn alone, straights that follow each other under one tracking together."""
    pieces: list[list[PathElement]] = []
    for element in path:
        last = pieces[-1][-1] if pieces else None
        if last is not None and last.kind is element.kind is ElementKind.AHEAD and last.tracking == element.tracking:
            pieces[-1].append(element)
        else:
            pieces.append([element])
    return pieces


def _goal(
    stretch: Sequence[PathElement], pose: CellPose, turn: int, course: Course, logic: MazeLogic
) -> tuple[Goal, CellPose]:
    """Return the goal of one straight after a turn, and the pose at its end."""
    tracking = stretch[0].tracking
    _check_tracking(logic, tracking)
    way: list[PathElement] = []
    if turn:
        about = ElementKind.ABOUT_LEFT if logic.about == "left" else ElementKind.ABOUT_RIGHT
        way.append(PathElement(kind=_TURNS.get(turn, about)))
    way += stretch
    for element in way:
        pose = course.after(pose, element)
    return Goal(cell=(pose.x, pose.y), tracking=tracking, way=tuple(way)), pose


def _joined(goals: Sequence[Goal], start: CellPose, course: Course, logic: MazeLogic) -> tuple[Goal, ...]:
    """Join goals that quarter turns lead on from, under one tracking, and check the way to each."""
    joined: list[Goal] = []
    poses = [start]
    for goal in goals:
        turns_on = goal.way[0].kind in _TURNS.values()
        if joined and turns_on and joined[-1].tracking == goal.tracking:
            goal = Goal(cell=goal.cell, tracking=goal.tracking, way=joined.pop().way + goal.way)
            poses.pop()
        joined.append(goal)
        pose = poses[-1]
        for element in goal.way:
            pose = course.after(pose, element)
        poses.append(pose)
    for goal, pose in zip(joined, poses, strict=False):
        _check_way(goal, pose, course)
    return tuple(joined)


def _check_way(goal: Goal, start: CellPose, course: Course) -> None:
    """Refuse a way that is not the only shortest one between the walls."""
    pose, cells = start, [(start.x, start.y)]
    for element in goal.way:
        for _ in range(element.cells):
            if course.has_wall(pose.x, pose.y, pose.heading):
                raise CannotBeDrivenError(f"a wall stands in its way out of the cell ({pose.x}, {pose.y})")
            pose = course.after(pose, PathElement(kind=ElementKind.AHEAD, cells=1))
            cells.append((pose.x, pose.y))
        if element.kind is not ElementKind.AHEAD:
            pose = course.after(pose, element)
    shortest, ways = _shortest(cells[0], goal.cell, course, most=len(cells) - 1)
    if shortest < len(cells) - 1:
        raise CannotBeDrivenError(
            f"the way to the cell {goal.cell} is {len(cells) - 1} cells long by the path and {shortest} by another, "
            "which the maze logic would take"
        )
    if ways > 1:
        raise CannotBeDrivenError(f"another way to the cell {goal.cell} is as short, and the maze logic may take it")


def _shortest(start: _Cell, goal: _Cell, course: Course, most: int) -> tuple[int, int]:
    """Return the length in cells of the shortest way, and how many ways are that short; by breadth, at most `most`."""
    ways, far = {start: 1}, {start: 0}
    queue = deque([start])
    while queue:
        x, y = queue.popleft()
        if far[x, y] >= most:
            break
        for side in Heading:
            if course.has_wall(x, y, side):
                continue
            dx, dy = side.step
            there = (x + dx, y + dy)
            if not (0 <= there[0] < course.columns and 0 <= there[1] < course.rows):
                continue  # through a panel left out of the outer wall
            if there not in far:
                far[there], ways[there] = far[x, y] + 1, 0
                queue.append(there)
            if far[there] == far[x, y] + 1:
                ways[there] += ways[x, y]
    return far[goal], ways[goal]


def _check_tracking(logic: MazeLogic, wanted: str) -> None:
    _check(logic.tracking, logic.own_tracking, wanted, "steers by the walls", "steer by")


def _check_front(logic: MazeLogic, wanted: str) -> None:
    _check(logic.front, logic.own_front, wanted, "ends its straights by", "end straights by")


def _check(choice: Choice | None, own: str, wanted: str, does: str, told: str) -> None:
    if choice is None and wanted != own:
        raise CannotBeDrivenError(f"the maze logic {does} '{own}' and cannot be told to {told} '{wanted}'")
    if choice is not None and wanted not in choice.values:
        known = ", ".join(choice.values)
        raise CannotBeDrivenError(f"the setting '{choice.setting}' cannot tell it to {told} '{wanted}', only {known}")
