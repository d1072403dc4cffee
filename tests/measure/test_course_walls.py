"""Walls beside a straight, by the drawing of the corridor with two openings (posts of 12 mm: ends 6 mm off)."""

import numpy as np
import pytest

from hil.measure.course_walls import Side, along_mm, beside
from hil.measure.model import CellPose, Heading

NORTH = CellPose(x=0, y=0, heading=Heading.NORTH)
SOUTH = CellPose(x=0, y=5, heading=Heading.SOUTH)


def test_wall_ends_lie_half_a_post_off_the_cell_boundary(corridor):
    ends = beside(corridor, NORTH, 5, Side.LEFT).ends()
    assert [(end.at_mm, end.rising) for end in ends] == [(84.0, True), (636.0, False), (804.0, True)]


def test_the_way_back_sees_the_same_ends_on_the_other_side(corridor):
    ends = beside(corridor, SOUTH, 5, Side.RIGHT).ends()
    # From the centre of the sixth cell, at 900 mm: 900 - 804, 900 - 636, 900 - 84.
    assert [(end.at_mm, end.rising) for end in ends] == [(96.0, False), (264.0, True), (816.0, False)]


def test_a_wall_that_runs_into_a_closed_end_has_no_end_there(corridor):
    right = beside(corridor, NORTH, 5, Side.RIGHT)
    assert right.ends() == ()
    assert (right.stretches[0].begin_mm, right.stretches[0].end_mm) == (-96.0, 996.0)


def test_the_cell_after_an_open_end_is_looked_at_too(corridor):
    """A straight of two cells from the first: the third cell's wall goes on past its end."""
    assert beside(corridor, NORTH, 2, Side.LEFT).stretches[0].end_mm == 636.0


def test_spots_near_wall_ends_and_posts_are_left_out(corridor):
    left = beside(corridor, NORTH, 5, Side.LEFT)
    spots = np.array([0.0, 84.0, 108.0, 110.0, 262.0, 270.0, 285.0, 610.0, 612.0, 700.0, 830.0])
    assert left.wall_at(spots).tolist() == [
        False, False, False, True, False, False, True, True, False, False, True,
    ]  # fmt: skip


def test_panels_have_one_number_from_both_directions(corridor):
    out = beside(corridor, NORTH, 5, Side.LEFT).panel_at(np.array([180.0, 200.0, 720.0, 900.0]))
    back = beside(corridor, SOUTH, 5, Side.RIGHT).panel_at(np.array([720.0, 700.0, 180.0, 0.0]))
    assert out.tolist() == back.tolist()
    assert out[0] == out[1] != out[3]
    assert out[2] == -1


@pytest.mark.parametrize(
    ("pose", "along"), [(NORTH, 0.0), (SOUTH, -900.0), (CellPose(x=2, y=1, heading=Heading.EAST), 360.0)]
)
def test_the_place_along_counts_in_the_direction_of_travel(corridor, pose, along):
    assert along_mm(corridor, pose) == along
