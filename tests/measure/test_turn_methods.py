"""The methods on turns, against drives whose turns are known."""

import math
from dataclasses import replace

import pytest
from scipy.special import stdtrit

from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Heading
from hil.measure.values import CannotMeasureError

NORTH = CellPose(x=0, y=0, heading=Heading.NORTH)
TRACKED = "ahead 5 by both, about left, ahead 5 by both, about right"
ROUND_THE_CORNER = (
    "ahead 2 by both, right, ahead 2 by both, about left, ahead 2 by both, left, ahead 2 by both, about right"
)


def measure(name, evidence, **words):
    return METHODS[name].run(evidence, Parameters(words=words))


def driven(robot, path, times, events=True):
    return robot.evidence(*(robot.drive("legs", path, NORTH, events=events) for _ in range(times)))


@pytest.mark.parametrize("events", [True, False])
@pytest.mark.parametrize("over_deg", [1.0, -1.76, 0.0])
def test_half_turns_are_over_or_under_by_what_they_were_turned(drawing, corridor, over_deg, events):
    robot = drawing(corridor, over_rotation_rad=math.radians(over_deg), mismatch=0.005)
    found = measure("turn.half_turn_error", driven(robot.with_fine_counts(), TRACKED, 2, events=events))
    assert found.value == pytest.approx(over_deg, abs=0.05)
    assert found.n == 3  # the last turn of the second drive has no straight after it


def test_turns_between_drives_count_as_long_as_nobody_placed_the_robot(drawing, corridor):
    evidence = driven(drawing(corridor), TRACKED, 6)
    assert measure("turn.half_turn_error", evidence).n == 11
    placed = tuple(replace(drive, conditions={"placed": 1.0}) for drive in evidence.drives)
    found = measure("turn.half_turn_error", replace(evidence, drives=placed))
    assert found.n == 6
    assert "turns to the left only" in found.notes


@pytest.mark.parametrize("over_deg", [0.8, -1.5])
def test_quarter_turns_are_over_or_under_by_what_they_were_turned(drawing, corner, over_deg):
    robot = drawing(corner, over_rotation_rad=math.radians(over_deg)).with_fine_counts()
    evidence = driven(robot, ROUND_THE_CORNER, 3)
    found = measure("turn.quarter_turn_error", evidence)
    assert found.value == pytest.approx(over_deg, abs=0.05)
    assert found.n == 6
    assert measure("turn.half_turn_error", evidence).value == pytest.approx(over_deg, abs=0.05)


def test_a_wrong_wheel_base_moves_left_and_right_turns_alike(drawing, corner):
    robot = drawing(corner, over_rotation_rad=math.radians(-1.76)).with_fine_counts()
    evidence = driven(robot, ROUND_THE_CORNER, 3)
    assert measure("turn.direction_difference", evidence).value == pytest.approx(0.0, abs=0.1)


def test_a_one_sided_cause_moves_left_and_right_turns_apart(drawing, corner):
    """e_ccw + e_cw of signed angles is twice the one-sided part (textbook relation)."""
    robot = drawing(corner, one_sided_rad=math.radians(0.5)).with_fine_counts()
    evidence = driven(robot, ROUND_THE_CORNER, 3)
    assert measure("turn.direction_difference", evidence).value == pytest.approx(1.0, abs=0.1)
    assert measure("turn.direction_difference", evidence, turns="half").value == pytest.approx(1.0, abs=0.1)
    assert measure("turn.quarter_turn_error", evidence).value == pytest.approx(0.0, abs=0.05)


def test_turns_to_one_side_have_no_difference(drawing, corridor):
    robot = drawing(corridor)
    evidence = robot.evidence(robot.drive("one", TRACKED, NORTH))
    with pytest.raises(CannotMeasureError, match="turns were seen to one side only"):
        measure("turn.direction_difference", evidence, turns="half")


def test_the_spread_is_that_of_the_turns(drawing, corridor):
    robot = drawing(corridor, turn_sd_rad=math.radians(0.8), over_rotation_rad=0.02, seed=3).with_fine_counts()
    found = measure("turn.half_turn_spread", driven(robot, TRACKED, 30))
    assert found.is_spread
    assert found.n == 59
    assert found.dof == 57
    assert found.value == pytest.approx(0.8, abs=2.5 * found.u)
    assert found.u == pytest.approx(found.value / math.sqrt(2 * 57))


def test_turns_made_once_have_no_spread(drawing, corridor):
    robot = drawing(corridor)
    with pytest.raises(CannotMeasureError, match="every turn was driven once only"):
        measure("turn.half_turn_spread", driven(robot, TRACKED, 1))


@pytest.mark.parametrize("shift", [(3.0, 0.0), (0.0, 2.0), (2.0, -1.5)])
def test_the_shift_is_how_far_the_axle_is_displaced(drawing, corridor, shift):
    robot = drawing(corridor, shift=shift, diameter=0.002, slip_s=0.003).with_fine_counts()
    found = measure("turn.half_turn_shift", driven(robot, TRACKED, 2))
    assert found.value == pytest.approx(math.hypot(*shift), abs=0.3)
    assert found.u < 2.5


def test_a_shift_without_wall_ends_is_refused(drawing, corridor):
    closed = replace(corridor, walls=corridor.walls | {(-1, 0, Heading.EAST), (-1, 4, Heading.EAST)})
    with pytest.raises(CannotMeasureError, match="no wall end is passed both before and after a half turn"):
        measure("turn.half_turn_shift", driven(drawing(closed), TRACKED, 1))


def test_no_quarter_turn_is_made_up_from_half_turns(drawing, corridor):
    with pytest.raises(CannotMeasureError, match="no quarter turn was driven"):
        measure("turn.quarter_turn_error", driven(drawing(corridor), TRACKED, 1))


def test_intervals_of_the_half_turn_error_cover_the_truth(drawing, corridor):
    """25 benches: a true coverage of 95 % falls below 21 of 25 seven times in a thousand (binomial)."""
    hits = 0
    for seed in range(25):
        robot = drawing(
            corridor, seed=seed, over_rotation_rad=0.01, turn_sd_rad=0.004, mismatch=0.002,
            walk=0.01, noise=0.01, panel_sd_mm=0.5,
        )  # fmt: skip
        found = measure("turn.half_turn_error", driven(robot, TRACKED, 6))
        hits += abs(found.value - math.degrees(0.01)) <= stdtrit(found.dof, 0.975) * found.u
    assert hits >= 21


def test_panels_out_of_place_stay_in_quarter_turns_and_fall_out_of_half_turns(drawing, corridor, corner):
    """Over 420 mm a wall has two panels or more; over 240 mm of this corner one, which only moves its intercept."""
    placed = drawing(corner, panel_sd_mm=0.5, noise=0.01)
    evidence = driven(placed, ROUND_THE_CORNER, 8)
    quarter = METHODS["turn.quarter_turn_error"].run(evidence, Parameters(numbers={"stretch": 420.0}))
    half = measure("turn.half_turn_error", driven(drawing(corridor, panel_sd_mm=0.5), TRACKED, 8))
    assert quarter.u > 3 * half.u
    assert quarter.u < 0.5
    one_panel = measure("turn.quarter_turn_error", evidence)
    assert one_panel.u < 0.05
    assert abs(one_panel.value) < 2 * one_panel.u


def test_a_sensor_that_lost_gain_turns_no_quarter_turn(drawing, corner):
    """A left sensor at 0.9 of its gain reads 2.7 mm too far at 49 mm: (d + 2)/sqrt(0.9) - 2, by the law (d + 2)^-2."""
    found = [
        measure(
            "turn.quarter_turn_error",
            driven(drawing(corner, noise=0.01, panel_sd_mm=0.5, gains=gains), ROUND_THE_CORNER, 4),
        )
        for gains in ({}, {"wall.left": 0.9})
    ]
    assert found[1].value == pytest.approx(found[0].value, abs=0.05)
    assert found[1].u == pytest.approx(found[0].u, rel=0.2)
