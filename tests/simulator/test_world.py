"""How a course is put up: displaced panels, gaps, boards, and what is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.errors import UsageError
from hil.measure.model import CellPose, Course, Heading
from hil.simulator.parameters import Noises, Truth
from hil.simulator.world import World


def test_panels_stand_out_of_place_as_the_table_says(corridor: Course) -> None:
    panels = []
    for seed in range(60):
        world = World(corridor, Noises(), seed)
        panels += [world.panel((0, y), side) for y in range(6) for side in (Heading.EAST, Heading.WEST)]
    offsets = [panel.offset_mm for panel in panels if panel]
    gaps = [panel.near_gap_mm + panel.far_gap_mm for panel in panels if panel]
    shades = [panel.reflectance for panel in panels if panel]
    assert len(offsets) == 720
    # 720 panels: a deviation is known to 2.6 %; four of that allowed.
    assert np.std(offsets) == pytest.approx(0.5, rel=0.11)
    assert np.std(shades) == pytest.approx(0.02, rel=0.11)
    assert 0 <= min(gaps) < max(gaps) <= 1
    assert np.mean(gaps) == pytest.approx(0.5, abs=0.05)


def test_the_same_seed_puts_up_the_same_course(corridor: Course) -> None:
    first, second, other = (World(corridor, Noises(), seed).boxes for seed in (4, 4, 5))
    assert np.array_equal(first, second)
    assert not np.array_equal(first, other)


def test_light_meets_a_panel_where_it_stands(corridor: Course) -> None:
    world = World(corridor, Noises(), 9)
    for y in range(6):
        for side, angle in ((Heading.EAST, 0.0), (Heading.WEST, math.pi)):
            face = world.face_mm((0, y), side)
            assert face == pytest.approx(84 if side is Heading.EAST else -84, abs=2.5)
            assert world.distance_mm(0, y * 180, angle) == pytest.approx(abs(face), abs=1e-9)


def test_both_sides_of_a_displaced_panel_move_together(exact: Truth, corridor: Course) -> None:
    pair = replace(corridor, columns=2, walls=frozenset({(0, 0, Heading.EAST)}))
    world = World(pair, Noises(), 3)
    west_face, east_face = world.face_mm((0, 0), Heading.EAST), world.face_mm((1, 0), Heading.WEST)
    assert east_face - west_face == pytest.approx(12)
    assert world.distance_mm(180, 0, math.pi) == pytest.approx(180 - east_face)


def test_a_board_comes_nearer_by_its_thickness_and_goes_again(exact: Truth, corridor: Course) -> None:
    world = World(corridor, exact.noises, 1)
    bare = world.distance_mm(0, 5 * 180, math.pi / 2)
    world.set_board((0, 5), Heading.NORTH, 10)
    assert world.distance_mm(0, 5 * 180, math.pi / 2) == pytest.approx(bare - 10)
    assert world.face_mm((0, 5), Heading.NORTH) == pytest.approx(5 * 180 + 84 - 10)
    world.set_board((0, 5), Heading.NORTH, 0)
    assert world.distance_mm(0, 5 * 180, math.pi / 2) == bare


def test_the_same_board_has_the_same_thickness_whenever_it_is_laid(corridor: Course) -> None:
    world = World(corridor, Noises(), 1)
    faces = []
    for thickness in (5, 10, 5, 0, 10):
        world.set_board((0, 5), Heading.NORTH, thickness)
        faces.append(world.face_mm((0, 5), Heading.NORTH))
    assert faces[0] == faces[2]
    assert faces[1] == faces[4]
    assert abs(faces[3] - faces[0] - 5) < 0.5
    assert faces[3] - faces[0] != 5  # boards are not exact


def first_hit_mm(world: World, x: float, y: float, angle: float) -> float:
    """The same by brute force: every box of the course, no walk from cell to cell."""
    direction = np.array([math.cos(angle), math.sin(angle)])
    filled = np.arange(world.boxes.shape[2]) < world.box_counts[..., None]
    boxes = world.boxes[filled]
    to_near, to_far = (boxes[:, :2] - (x, y)) / direction, (boxes[:, 2:4] - (x, y)) / direction
    enters, ends = np.minimum(to_near, to_far).max(axis=1), np.maximum(to_near, to_far).min(axis=1)
    hits = enters[(enters <= ends) & (ends >= 0)]
    return float(max(0.0, hits.min())) if hits.size else math.inf


def test_a_ray_meets_what_a_search_of_the_whole_course_finds() -> None:
    chance = np.random.default_rng(11)
    size, range_mm = 5, 600
    edges = [(x, y, side) for x in range(size) for y in range(size) for side in (Heading.NORTH, Heading.EAST)]
    found = 0
    for seed in range(6):
        walls = {edge for edge in edges if chance.random() < 0.3}
        course = Course(
            name="random",
            pitch_mm=180,
            wall_mm=12,
            columns=size,
            rows=size,
            walls=frozenset(walls),
            posts=frozenset((i, j) for i in range(size + 1) for j in range(size + 1) if chance.random() < 0.5),
            surface="matt-white",
            start=CellPose(x=0, y=0, heading=Heading.NORTH),
        )
        # Panels far out of place reach well over the boundaries of their cells.
        world = World(course, replace(Noises(), panel_offset_sd_mm=3.0), seed)
        for x, y, side in sorted(walls)[:8]:
            world.set_board((x, y), side, 10)
        for x, y, angle in chance.uniform((-80, -80, 0), (800, 800, 2 * math.pi), (300, 3)):
            expected = first_hit_mm(world, x, y, angle)
            walked = world.distance_mm(x, y, angle)
            if expected < range_mm - 200:
                assert walked == pytest.approx(expected, abs=1e-6)
                found += 1
            else:
                assert walked > range_mm - 200 - 1e-6
    assert found > 900


@pytest.mark.parametrize(
    ("cell", "side", "thickness"),
    [((0, 2), Heading.NORTH, 5), ((3, 0), Heading.EAST, 5), ((0, 9), Heading.EAST, 5), ((0, 0), Heading.EAST, -1)],
)
def test_a_board_that_cannot_be_laid_is_refused(
    corridor: Course, cell: tuple[int, int], side: Heading, thickness: float
) -> None:
    with pytest.raises(UsageError):
        World(corridor, Noises(), 1).set_board(cell, side, thickness)


def test_there_is_no_face_where_there_is_no_wall(exact: Truth, corridor_with_opening: Course) -> None:
    world = World(corridor_with_opening, exact.noises, 1)
    assert world.face_mm((0, 3), Heading.EAST) == math.inf
    assert world.distance_mm(0, 3 * 180, 0.0) == math.inf
