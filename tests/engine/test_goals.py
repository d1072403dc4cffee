"""Paths as goal cells: what a robot that goes to cells is told, what it really drives, and what it would not drive."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.catalogue import Catalogue
from hil.engine.goals import CannotBeDrivenError, GoalPlan, goals_of
from hil.measure.model import CellPose, Course, ElementKind, Heading, PathElement
from hil.spec.kinds import Kind
from hil.spec.loading import load_course
from hil.spec.robot_values import Choice, MazeLogic

LOGIC = MazeLogic(
    about="left",
    tracking=Choice(setting="follow", values={"none": 0, "left": 1, "right": 2, "both": 3}),
    front=Choice(setting="stop-by", values={"counts": 0, "wall": 1}),
)
LEFT, RIGHT = PathElement(kind=ElementKind.LEFT), PathElement(kind=ElementKind.RIGHT)
ABOUT_LEFT, ABOUT_RIGHT = PathElement(kind=ElementKind.ABOUT_LEFT), PathElement(kind=ElementKind.ABOUT_RIGHT)


def ahead(cells: int, tracking: str = "both") -> PathElement:
    return PathElement(kind=ElementKind.AHEAD, cells=cells, tracking=tracking)


def course(name: str) -> Course:
    return load_course(Catalogue().find(Kind.COURSE, name))


def plan(name: str, *path: PathElement, owed: int = 0, logic: MazeLogic = LOGIC, front: str = "counts") -> GoalPlan:
    on = course(name)
    return goals_of(path, on.start, on, logic, front, owed)


def told(made: GoalPlan) -> list[tuple[tuple[int, int], str]]:
    return [(goal.cell, goal.tracking) for goal in made.goals]


def test_straight_is_its_last_cell() -> None:
    made = plan("corridor-six", ahead(5))
    assert told(made) == [((0, 5), "both")]
    assert made.path == (ahead(5),)
    assert made.end == CellPose(x=0, y=5, heading=Heading.NORTH)


def test_tracking_that_changes_is_another_goal() -> None:
    made = plan("corridor-six", ahead(1), ahead(2, "none"), ahead(2))
    assert told(made) == [((0, 1), "both"), ((0, 3), "none"), ((0, 5), "both")]


def test_about_turn_is_made_on_the_way_back() -> None:
    made = plan("corridor-six", ahead(5), ABOUT_LEFT, ahead(5))
    assert told(made) == [((0, 5), "both"), ((0, 0), "both")]
    assert made.goals[1].way == (ABOUT_LEFT, ahead(5))


def test_about_turn_goes_to_the_robots_own_side_and_the_path_says_so() -> None:
    made = plan("corridor-six", ahead(5), ABOUT_RIGHT, ahead(5))
    assert made.path == (ahead(5), ABOUT_LEFT, ahead(5))
    assert plan("corridor-six", ahead(5), ABOUT_LEFT, ahead(5), logic=replace(LOGIC, about="right")).path == (
        ahead(5), ABOUT_RIGHT, ahead(5),
    )  # fmt: skip


def test_turn_at_the_end_is_owed_to_the_next_drive() -> None:
    first = plan("corridor-six", ahead(5), ABOUT_RIGHT)
    assert (first.path, first.owed) == ((ahead(5),), 2)
    on = course("corridor-six")
    following = goals_of((ahead(5), ABOUT_RIGHT), first.end, on, LOGIC, "counts", first.owed)
    assert following.path == (ABOUT_LEFT, ahead(5))
    assert following.end == CellPose(x=0, y=0, heading=Heading.SOUTH)
    assert following.owed == 2


def test_quarter_turns_are_the_maze_logics_own() -> None:
    lap = (ahead(4, "right"), RIGHT, ahead(1, "right"), RIGHT, ahead(4, "right"), ABOUT_LEFT)
    made = plan("u-shape", *lap)
    assert told(made) == [((1, 0), "right")]
    assert made.path == lap[:-1]


def test_quarter_turn_under_another_tracking_is_another_goal() -> None:
    made = plan("corner", ahead(3), RIGHT, ahead(3, "left"))
    assert told(made) == [((0, 3), "both"), ((3, 3), "left")]


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ((ABOUT_LEFT,), "it goes to no other cell"),
        ((ahead(1), LEFT, LEFT, ahead(1)), "it turns twice on one spot"),
        ((ahead(6),), "a wall stands in its way out of the cell (0, 5)"),
        ((ahead(1), RIGHT, ahead(1)), "a wall stands in its way out of the cell (0, 1)"),
    ],
)
def test_what_it_would_not_drive_is_said(path: tuple[PathElement, ...], said: str) -> None:
    with pytest.raises(CannotBeDrivenError) as refused:
        plan("corridor-six", *path)
    assert said in str(refused.value)


def open_field() -> Course:
    """Three by three cells without a wall between them."""
    on = course("corridor-six")
    outer = {(x, 2, Heading.NORTH) for x in range(3)} | {(x, -1, Heading.NORTH) for x in range(3)}
    outer |= {(2, y, Heading.EAST) for y in range(3)} | {(-1, y, Heading.EAST) for y in range(3)}
    return replace(on, columns=3, rows=3, walls=frozenset(outer), start=CellPose(x=0, y=0, heading=Heading.NORTH))


def test_way_that_is_not_the_shortest_is_refused() -> None:
    on = open_field()
    with pytest.raises(CannotBeDrivenError, match="3 cells long by the path and 1 by another"):
        goals_of((ahead(1), RIGHT, ahead(1), RIGHT, ahead(1)), on.start, on, LOGIC, "counts")


def test_way_that_is_one_of_two_as_short_is_refused() -> None:
    on = open_field()
    with pytest.raises(CannotBeDrivenError, match=r"another way to the cell \(1, 1\) is as short"):
        goals_of((ahead(1), RIGHT, ahead(1)), on.start, on, LOGIC, "counts")


def test_what_its_firmware_decides_cannot_be_asked_of_it() -> None:
    own = MazeLogic(own_tracking="right", own_front="wall")
    with pytest.raises(CannotBeDrivenError, match="steers by the walls 'right' and cannot be told to steer by 'both'"):
        plan("corridor-six", ahead(5), logic=own, front="wall")
    with pytest.raises(CannotBeDrivenError, match="ends its straights by 'wall' and cannot be told"):
        plan("corridor-six", ahead(5, "right"), logic=own, front="counts")
    assert told(plan("corridor-six", ahead(5, "right"), logic=own, front="wall")) == [((0, 5), "right")]


def test_what_its_setting_does_not_offer_cannot_be_asked_of_it() -> None:
    few = replace(LOGIC, tracking=Choice(setting="follow", values={"both": 3}))
    with pytest.raises(CannotBeDrivenError, match="'follow' cannot tell it to steer by 'none', only both"):
        plan("corridor-six", ahead(5, "none"), logic=few)
