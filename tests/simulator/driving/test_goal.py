"""The maze logic: the way to a cell, and driving it by the firmware's own choices."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.measure.model import CellPose, Course, ElementKind, Heading
from hil.simulator.firmware.maze import MazeLogic
from hil.simulator.firmware.settings import Refusal
from hil.spec.loading import load_protocol
from hil.wire.dialect import Dialect, Verdict
from hil.wire.received import BlockBegun, BlockEnded, Telemetry

Rigs = Callable[..., Any]
MENU = Path(__file__).parents[3] / "protocols" / "letter-menu" / "letter-menu.protocol.yaml"


@pytest.fixture(scope="module")
def menu() -> Dialect:
    return load_protocol(MENU)


def course_of(columns: int, rows: int, inner: set[tuple[int, int, Heading]]) -> Course:
    """A closed course with walls inside."""
    walls = {(x, y, Heading.NORTH) for x in range(columns) for y in (-1, rows - 1)}
    walls |= {(x, y, Heading.EAST) for x in (-1, columns - 1) for y in range(rows)}
    return Course(
        name="maze",
        pitch_mm=180,
        wall_mm=12,
        columns=columns,
        rows=rows,
        walls=frozenset(walls | inner),
        posts=frozenset(),
        surface="matt-white",
        start=CellPose(x=0, y=0, heading=Heading.NORTH),
    )


def way(course: Course, cell: tuple[int, int], pose: tuple[int, int, Heading] = (0, 0, Heading.NORTH)) -> str:
    x, y, heading = pose
    found = MazeLogic(course, CellPose(x=x, y=y, heading=heading)).way_to(cell, "both")
    return ",".join(
        f"{element.cells}{element.tracking}" if element.kind is ElementKind.AHEAD else element.kind.value
        for element in found
    )


def test_a_straight_way_is_one_straight(corridor: Course) -> None:
    assert way(corridor, (0, 5)) == "5both"


def test_it_turns_about_to_the_left_where_the_cell_is_behind(corridor: Course) -> None:
    assert way(corridor, (0, 0), (0, 5, Heading.NORTH)) == "about left,5both"
    assert way(corridor, (0, 5), (0, 2, Heading.SOUTH)) == "about left,3both"


def test_the_way_with_fewer_cells_wins_over_the_one_with_fewer_turns() -> None:
    # From the lowest row there is an opening in the middle column only.
    walls = {(x, 0, Heading.NORTH) for x in (0, 2)} | {(0, 1, Heading.EAST)}
    assert way(course_of(3, 3, walls), (0, 2)) == "right,1both,left,2both,left,1both"


def test_among_ways_of_as_many_cells_the_one_with_fewest_turns_wins_and_then_the_straight_one() -> None:
    open_floor = course_of(4, 4, set())
    assert way(open_floor, (2, 2)) == "2both,right,2both"
    assert way(open_floor, (2, 2), (0, 0, Heading.EAST)) == "2both,left,2both"
    # Looking away, a turn is needed either way: two ways with two turns each, and left comes before right.
    assert way(open_floor, (0, 0), (2, 2, Heading.EAST)) == "right,2both,right,2both"
    assert way(open_floor, (2, 2), (0, 0, Heading.WEST)) == "right,2both,right,2both"


@pytest.mark.parametrize(
    ("cell", "reason"), [((0, 0), "here"), ((4, 0), "unknown-cell"), ((0, -1), "unknown-cell"), ((3, 3), "no-way")]
)
def test_what_cannot_be_reached_is_refused_by_its_reason(cell: tuple[int, int], reason: str) -> None:
    walled_in = course_of(4, 4, {(2, 3, Heading.EAST), (3, 2, Heading.NORTH)})
    with pytest.raises(Refusal) as refused:
        way(walled_in, cell)
    assert refused.value.reason == reason


def test_a_goal_is_driven_as_its_way_would_be_by_command(rig: Rigs, menu: Dialect, corner: Course) -> None:
    def end(by_goal: bool) -> tuple[float, float, float]:
        device_rig = rig(corner, dialect=menu, seed=3)
        if by_goal:
            assert device_rig.ask("goal", x=3, y=3).verdict is Verdict.ACCEPTED
            while device_rig.bench.device.driving:
                device_rig.run(0.1)
        else:
            device_rig.drive("ahead 3 both,right,ahead 3 both", front="wall")
        return device_rig.bench.plant.x_mm, device_rig.bench.plant.y_mm, device_rig.bench.plant.theta_rad

    assert end(by_goal=True) == end(by_goal=False)


def test_settings_choose_the_walls_it_steers_by_and_what_ends_a_straight(
    rig: Rigs, menu: Dialect, corridor: Course
) -> None:
    device_rig = rig(corridor, dialect=menu, seed=3)
    assert device_rig.ask("set", name="follow", value=0).verdict is Verdict.ACCEPTED
    assert device_rig.ask("set", name="stop-by", value=0).verdict is Verdict.ACCEPTED
    assert device_rig.ask("set", name="follow", value=4).answer == "out-of-range"
    assert device_rig.ask("goal", x=0, y=5).verdict is Verdict.ACCEPTED
    while device_rig.bench.device.driving:
        device_rig.run(0.1)
    plain = rig(corridor, dialect=menu, seed=3)
    plain.drive("ahead 5", front="counts")
    assert device_rig.bench.plant.x_mm == plain.bench.plant.x_mm
    assert "front.reset" not in [event.event for event in device_rig.events()]
    device_rig.ask("set", name="stop-by", value=1)
    device_rig.ask("goal", x=0, y=0, speed=250)
    device_rig.run(20)
    assert "front.reset" in [event.event for event in device_rig.events()]


def test_it_knows_where_it_is_from_what_it_drove_and_is_lost_after_a_stop(rig: Rigs, menu: Dialect) -> None:
    device_rig = rig(dialect=menu)
    device_rig.drive("ahead 2,about left")
    device = device_rig.bench.device
    assert device.maze.pose == CellPose(x=0, y=2, heading=Heading.SOUTH)
    assert device_rig.ask("goal", x=0, y=2).answer == "here"
    device_rig.ask("goal", x=0, y=0)
    assert device_rig.ask("goal", x=0, y=1).answer == "busy"
    device_rig.ask("stop")
    device_rig.run(2.0)
    assert device_rig.ask("goal", x=0, y=0).answer == "lost"
    device_rig.bench.person.place(CellPose(x=0, y=3, heading=Heading.NORTH))
    assert device_rig.ask("goal", x=0, y=0).verdict is Verdict.ACCEPTED


def test_another_course_is_another_map(rig: Rigs, menu: Dialect, corner: Course) -> None:
    device_rig = rig(dialect=menu)
    assert device_rig.ask("goal", x=3, y=3).answer == "unknown-cell"
    device_rig.bench.person.put_up(corner)
    device_rig.bench.person.place(corner.start)
    assert device_rig.ask("goal", x=3, y=3).verdict is Verdict.ACCEPTED


def test_the_map_is_sent_from_north_to_south_with_the_walls_of_every_cell(
    rig: Rigs, menu: Dialect, corner: Course
) -> None:
    device_rig = rig(corner, dialect=menu)
    device_rig.ask("dump.map")
    device_rig.run(1.0)
    rows = [item for item in device_rig.seen if isinstance(item, Telemetry) and item.block == "map"]
    assert BlockBegun(block="map", count=4) in device_rig.seen
    assert BlockEnded(block="map", rows=4) in device_rig.seen
    assert [row.values["cell.y"] for row in rows] == [3, 2, 1, 0]
    # The corner cell: walls north and west; its row ends with a wall to the east.
    assert rows[0].values["cell.walls"] == (1 + 8, 1 + 4, 1 + 4, 1 + 2 + 4)
    assert rows[3].values["cell.walls"][0] == 2 + 4 + 8
