"""Laps round a U on drawn drives: what one-wall tracking, quarter turns and a person's eyes tell."""

import math

import numpy as np
import pytest

from hil.measure.evidence import Answer, Event, Evidence
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Course, Heading
from hil.measure.values import CannotMeasureError

RIGHT = "ahead 4 by right, right, ahead 1 by right, right, ahead 4 by right, about left"
LEFT = "ahead 4 by left, left, ahead 1 by left, left, ahead 4 by left, about right"


def u_shape():
    """Two columns of five cells joined at the top; three panels on the outside left out."""
    walls = {(x, -1, Heading.NORTH) for x in (0, 1)} | {(0, 4, Heading.NORTH)}
    walls |= {(-1, y, Heading.EAST) for y in (0, 1, 2, 4)} | {(1, y, Heading.EAST) for y in (0, 1, 2, 4)}
    walls |= {(0, y, Heading.EAST) for y in range(4)}
    return Course(
        name="u", pitch_mm=180.0, wall_mm=12.0, columns=2, rows=5, walls=frozenset(walls),
        posts=frozenset((i, j) for i in range(3) for j in range(6)), surface="white",
        start=CellPose(x=0, y=0, heading=Heading.NORTH),
    )  # fmt: skip


UP = CellPose(x=0, y=0, heading=Heading.NORTH)
BACK = CellPose(x=1, y=0, heading=Heading.NORTH)


def laps(robot, repeats=4, events=True):
    drives = []
    for _ in range(repeats):
        drives.append(robot.drive("right-wall", RIGHT, UP, events))
        drives.append(robot.drive("left-wall", LEFT, BACK, events))
    return robot.evidence(*drives)


def exact_stops(error_mm=0.0):
    """Stops at every corner of the laps, all with the same error."""
    corners = [(0, 4, Heading.NORTH), (1, 4, Heading.NORTH), (1, 4, Heading.EAST), (0, 4, Heading.WEST)]
    return dict.fromkeys(corners, error_mm)


def measure(name, evidence, **more):
    return METHODS[name].run(evidence, Parameters(of=("right-wall", "left-wall"), **more))


def agrees(measured, truth, factor=2.5):
    return abs(measured.value - truth) <= factor * measured.u


@pytest.fixture
def make(drawing):
    def built(**truth):
        return drawing(course=u_shape(), noise=0.01, **truth)

    return built


def test_offsets_are_read_by_the_sensor_that_does_not_steer(make):
    evidence = laps(make(settles_at_mm={"right": 3.0, "left": -1.0}))
    right, left = measure("tracking.offset_right_wall", evidence), measure("tracking.offset_left_wall", evidence)
    assert right.value == pytest.approx(3.0, abs=0.3)
    assert left.value == pytest.approx(-1.0, abs=0.3)
    assert measure("tracking.offset_sum", evidence).value == pytest.approx(2.0, abs=0.4)
    assert measure("tracking.offset_difference", evidence).value == pytest.approx(-4.0, abs=0.4)


def test_a_weak_left_sensor_shows_as_the_instrument_sees_it(make):
    # A gain of 0.9 on the left: distances read (d + d0)(1/sqrt(0.9) - 1) too long, 2.7 mm at 49 mm. Under
    # left-wall tracking the robot truly settles that much to the left; under right-wall tracking it does not move.
    beta = 51.0 * (1 / math.sqrt(0.9) - 1)
    evidence = laps(make(gains={"wall.left": 0.9}, settles_at_mm={"left": beta}))
    assert measure("tracking.offset_right_wall", evidence).value == pytest.approx(-beta, abs=0.3)
    assert measure("tracking.offset_left_wall", evidence).value == pytest.approx(beta, abs=0.3)
    assert measure("tracking.offset_sum", evidence).value == pytest.approx(0.0, abs=0.4)
    assert measure("tracking.offset_difference", evidence).value == pytest.approx(2 * beta, abs=0.4)
    width = measure("tracking.width_residual", evidence).value
    # Read where the robot truly is: beta at the middle, and a little less near the left wall.
    assert width == pytest.approx(beta, rel=0.05)


def test_a_darker_surface_widens_the_passage_by_both_sides(make):
    evidence = laps(make(gains={"wall.left": 0.75, "wall.right": 0.75}))
    expected = 2 * 51.0 * (1 / math.sqrt(0.75) - 1)  # 15.8 mm with this curve's offset of 2 mm
    assert measure("tracking.width_residual", evidence).value == pytest.approx(expected, rel=0.02)


def test_panels_read_both_ways_partly_cancel_in_the_sum_and_add_in_the_difference(make):
    evidence = laps(make(panel_sd_mm=0.5))
    total, difference = measure("tracking.offset_sum", evidence), measure("tracking.offset_difference", evidence)
    assert total.u < 0.85 * difference.u


def test_stated_uncertainty_of_the_difference_covers_the_truth_over_many_courses(make):
    inside, tries = 0, 40
    for seed in range(tries):
        evidence = laps(make(panel_sd_mm=0.5, seed=seed, settles_at_mm={"right": 2.0, "left": 1.0}), repeats=2)
        inside += agrees(measure("tracking.offset_difference", evidence), -1.0, 1.96)
    assert inside >= 0.85 * tries  # 95 % of 40, less three standard deviations of such a count


def test_settling_takes_as_long_as_the_drawn_robot_takes(make):
    # A straight begins 6 mm off, parallel, and comes back as 6 (1 + s/80) exp(-s/80): within 3 mm after 134.3 mm.
    robot = make(y_mm=6.0, turn_sd_rad=0.0)
    drives = []
    for _ in range(4):
        robot.y_mm = 0.0
        robot.stops_mm = {(0, 4, Heading.NORTH): 0.0, (1, 4, Heading.EAST): 6.0}  # out of the second turn 6 mm off
        drives.append(robot.drive("right-wall", RIGHT, UP))
    found = measure("tracking.settle_distance", robot.evidence(*drives))
    assert found.value == pytest.approx(134.3, abs=8)
    assert found.u < 12  # half a millimetre of panel moves it by 21 mm in each of four straights
    assert measure("tracking.settle_distance", laps(make(), repeats=1)).value == 0.0


def test_overshoot_comes_out_on_the_outside_of_left_and_right_turns(make):
    # Pivot geometry: y' = -e_x (left), +e_x (right). The straight into (1, 4) and (0, 4) stops 5 mm too far.
    stops = {(1, 4, Heading.EAST): 5.0, (0, 4, Heading.WEST): 5.0}
    found = measure("tracking.exit_offset", laps(make(stops_mm=stops, panel_sd_mm=0.5)))
    assert agrees(found, 5.0)
    assert found.u < 1.0


def test_wheel_mismatch_does_not_pass_for_an_exit_offset(make):
    stops = {(1, 4, Heading.EAST): 0.0, (0, 4, Heading.WEST): 0.0}
    found = measure("tracking.exit_offset", laps(make(mismatch=0.01, stops_mm=stops)))
    assert agrees(found, 0.0)
    assert abs(found.value) < 1.0


def test_first_edge_distance_is_what_the_turns_added(make):
    stops = {
        (0, 4, Heading.NORTH): 0.0,
        (1, 4, Heading.NORTH): 0.0,
        (1, 4, Heading.EAST): 0.0,
        (0, 4, Heading.WEST): 0.0,
    }
    # At 0.3 m/s a tyre of 25 N s/m under 150 g slips by m v / (2 C) = 0.9 mm, at the ends and not where it stands.
    straight = measure("tracking.first_edge_distance", laps(make(stops_mm=stops, slip_s=0.003)))
    assert straight.value == pytest.approx(0.0, abs=1.0)


def test_first_edge_distance_leaves_out_the_error_before_the_turns(make):
    # The robot stops 8 mm too far before the first turn; carried through both turns it lies 8 mm behind after them.
    before = {
        (0, 4, Heading.NORTH): 8.0,
        (1, 4, Heading.NORTH): 8.0,
        (1, 4, Heading.EAST): 0.0,
        (0, 4, Heading.WEST): 0.0,
    }
    robot = make(
        stops_mm=before, slip_s=0.003, settle_mm=1e6
    )  # a robot that does not come back to the middle in one cell
    found = measure("tracking.first_edge_distance", laps(robot))
    assert found.value == pytest.approx(0.0, abs=1.0)
    assert "subtracted in 8 of 8" in found.notes[0]


def test_laps_without_events_measure_the_same(make):
    with_events = laps(make(settles_at_mm={"right": 3.0}))
    without = Evidence(
        robot=with_events.robot, course=with_events.course,
        drives=laps(make(settles_at_mm={"right": 3.0}), events=False).drives,
    )  # fmt: skip
    for name in ("tracking.offset_right_wall", "tracking.exit_offset", "tracking.width_residual"):
        assert measure(name, without).value == pytest.approx(measure(name, with_events).value, abs=0.3)


def test_laps_of_equal_length_take_equal_time(make):
    found = measure("tracking.lap_time_asymmetry", laps(make()))
    assert found.value == pytest.approx(0.0, abs=0.2)
    assert found.unit == "%"


def test_touches_are_counted_from_reports_or_from_eyes(make):
    evidence = laps(make(), repeats=1)
    assert measure("tracking.contacts", evidence).value == 0
    hit = evidence.drives[0]
    bumped = type(hit)(**{
        **{name: getattr(hit, name) for name in hit.__slots__},
        "events": (*hit.events, Event(name="touched", time_s=11.0, host_s=11.0)),
    })  # fmt: skip
    felt = Evidence(robot=evidence.robot, course=evidence.course, drives=(bumped, *evidence.drives[1:]))
    assert (measure("tracking.contacts", felt).value, measure("tracking.contacts", felt).n) == (1.0, 2)
    silent = laps(make(), repeats=1, events=False)
    with pytest.raises(CannotMeasureError, match="nobody watched"):
        measure("tracking.contacts", silent)
    seen = Answer(name="contacts", value=2, unit="", u=0, case="", repeat=0, index=0, source="operator")
    watched = Evidence(robot=silent.robot, course=silent.course, drives=silent.drives, answers=(seen,))
    assert measure("tracking.contacts", watched).value == 2
    assert measure("tracking.contacts", watched).is_count


def test_straights_under_the_wrong_tracking_are_refused(make):
    evidence = laps(make(), repeats=1)
    only_left = Evidence(robot=evidence.robot, course=evidence.course, drives=evidence.drives[1:])
    with pytest.raises(CannotMeasureError, match="no straight of 3 cells or more"):
        METHODS["tracking.offset_right_wall"].run(only_left, Parameters(of=("left-wall",)))
    with pytest.raises(CannotMeasureError, match="no drive named nothing"):
        METHODS["tracking.offset_right_wall"].run(evidence, Parameters(of=("nothing",)))


def test_effective_samples_of_a_wandering_row_are_few():
    from hil.measure.uncertainty import effective_number

    rng = np.random.default_rng(3)
    white = rng.normal(size=4000)
    assert effective_number(white) == pytest.approx(4000, rel=0.15)
    slow = np.empty(4000)
    slow[0] = 0
    for at in range(1, 4000):
        slow[at] = 0.9 * slow[at - 1] + white[at]
    # First-order autoregression: n (1 - a)/(1 + a), textbook.
    assert effective_number(slow) == pytest.approx(4000 * 0.1 / 1.9, rel=0.4)
