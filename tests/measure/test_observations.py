"""The operator's route on answers computed from closed forms, with an instrument's noise where coverage is asked."""

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.measure.clearance import clearance_by_readings
from hil.measure.evidence import Answer, Drive, Evidence, Samples
from hil.measure.legs import walk_u_kappa
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, ElementKind, Heading, PathElement
from hil.measure.values import CannotMeasureError

NORTH = CellPose(x=0, y=0, heading=Heading.NORTH)
SOUTH = CellPose(x=0, y=3, heading=Heading.SOUTH)
RULER_MM, SQUARE_DEG = 0.5, 0.4  # common practice, no source
WORDS = {
    "about left": ElementKind.ABOUT_LEFT,
    "about right": ElementKind.ABOUT_RIGHT,
    "right": ElementKind.RIGHT,
    "left": ElementKind.LEFT,
}


def silent(kind, cells=0, tracking="none", start=NORTH, name="leg", **conditions):
    """A drive of a robot that says nothing at all."""
    path = (PathElement(kind=WORDS.get(kind, ElementKind.AHEAD), cells=cells, tracking=tracking),)
    return Drive(
        name=name, case="c", repeat=0, path=path, front="counts", speed_mm_s=300.0, start=start, events=(),
        samples={"none": Samples(host_s=np.zeros(0), values={})}, conditions=conditions,
    )  # fmt: skip


def answer(name, value, index, unit="mm", u=RULER_MM):
    return Answer(name=name, value=value, unit=unit, u=u, case="c", repeat=0, index=index, source="operator")


@pytest.fixture
def evidence(corridor, drawing):
    def built(drives, answers):
        robot = drawing(course=corridor).robot
        return Evidence(robot=robot, course=corridor, drives=tuple(drives), answers=tuple(answers))

    return built


def measure(name, evidence, numbers=None, **words):
    return METHODS[f"observation.{name}"].run(evidence, Parameters(words=words, numbers=numbers or {}))


def blind_legs(kappa, bow=0.0, repeats=4, rng=None, turn_deg=1.0):
    """Legs of three cells out and back; drive and answer numbers as they would be in a run."""
    drives, answers = [], []
    noise = (lambda sd: rng.normal(0, sd)) if rng is not None else (lambda sd: 0.0)

    def observed(y, th, index):
        answers.append(answer("offset", y + noise(RULER_MM), index))
        answers.append(answer("angle", math.degrees(th) + noise(SQUARE_DEG), index, "deg", SQUARE_DEG))

    for _ in range(repeats):
        for start, sense in ((NORTH, 1), (SOUTH, -1)):
            length, bent = 540.0, kappa + sense * bow
            y, th = 1.0, 0.01
            drives.append(silent("about left", start=start, name="turn"))  # so that a reading stands before the leg
            observed(y, th, len(drives) - 1)
            drives.append(silent("ahead", 3, start=start))
            observed(y + th * length + bent * length**2 / 2, th + bent * length, len(drives) - 1)
    return drives, answers


def test_curvature_and_mismatch_come_from_offset_and_angle(evidence):
    # A mismatch of 1 % on a base of 70 mm: curvature 0.143 1/m, 20.8 mm sideways after 540 mm (closed form).
    kappa = 0.01 / 70
    assert kappa * 540**2 / 2 == pytest.approx(20.8, abs=0.05)
    made = evidence(*blind_legs(kappa))
    found = measure("wheel_mismatch", made)
    assert found.value == pytest.approx(1.0, abs=1e-6)
    assert found.unit == "%"
    assert found.u < 0.1
    assert measure("curvature", made).value == pytest.approx(1000 * kappa, abs=1e-6)
    assert measure("start_heading", made).value == pytest.approx(math.degrees(0.01), abs=1e-6)


def test_a_bowed_course_falls_out_between_out_and_back(evidence):
    assert measure("wheel_mismatch", evidence(*blind_legs(0.0, bow=1e-4))).value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("first", [0, 1])
def test_the_bow_is_the_courses_curve_in_the_direction_first_driven(evidence, first):
    # Seen from a course that bows to the left, a straight way curves to the right going and to the left coming back.
    drives, answers = blind_legs(0.005 / 70, bow=-1e-4)
    if first:
        drives = drives[2:]
        answers = [replace(one, index=one.index - 2) for one in answers if one.index >= 2]
    found = measure("course_bow", evidence(drives, answers))
    assert found.value == pytest.approx(-0.1 if first else 0.1, abs=1e-6)
    assert (found.unit, found.n) == ("1/m", len(drives) // 2)


def test_a_bow_needs_legs_both_ways(evidence):
    drives, answers = blind_legs(1e-4, repeats=1)
    with pytest.raises(CannotMeasureError, match="went one way"):
        measure("course_bow", evidence(drives[:2], [one for one in answers if one.index < 2]))


def test_looks_on_the_way_are_stops_of_one_leg_and_not_legs_of_their_own(evidence):
    kappa, drives = 1e-4, [silent("ahead", cells) for cells in (1, 1, 1)]
    y, th = (lambda s: 2.0 - 0.01 * s + kappa * s**2 / 2), (lambda s: -0.01 + kappa * s)
    answers = []
    for index, s in enumerate((0.0, 180.0, 360.0, 540.0), -1):
        answers.append(answer("offset", y(s), index))
        answers.append(answer("angle", math.degrees(th(s)), index, "deg", SQUARE_DEG))
    found = measure("curvature", evidence(drives, answers))
    assert found.value == pytest.approx(1000 * kappa)
    assert found.n == 1
    assert found.notes[0].startswith("1 blind leg of 540 mm")
    # Angles alone, at 0, 180, 360 and 540 mm: u(kappa)^2 = u(th)^2 / sum (s - 270)^2 (straight line by least squares).
    by_angles = 1000 * math.radians(SQUARE_DEG) / math.sqrt(2 * (270**2 + 90**2))
    walked = 1000 * walk_u_kappa(540.0, 70.0)  # one leg tells no scatter, so that the wheels' walk is allowed for
    assert walked < found.u < math.hypot(by_angles, walked)


def test_readings_after_a_robot_was_placed_do_not_end_the_leg_before(evidence):
    # Placed anew after the first leg, with the same words for what was read before and after that.
    again = silent("ahead", 3, placed=1.0)
    made = [(0.0, 0.0, -1, False), (10.0, 2.0, 0, False), (-3.0, -1.0, 0, True), (7.0, 1.0, 1, False)]
    answers = []
    for offset, angle, index, placed in made:
        answers.append(replace(answer("offset", offset, index), placed=placed))
        answers.append(replace(answer("angle", angle, index, "deg", SQUARE_DEG), placed=placed))
    found = measure("curvature", evidence([silent("ahead", 3), again], answers))
    # Each turns by 2 deg over 540 mm.
    assert found.value == pytest.approx(1000 * math.radians(2.0) / 540, rel=1e-6)
    assert found.n == 2
    forgotten = evidence([silent("ahead", 3), again], [one for one in answers if not one.placed])
    assert measure("curvature", forgotten).n == 1


def test_one_way_legs_say_that_a_bow_is_in_them(evidence):
    drives, answers = blind_legs(1e-4, repeats=1)
    found = measure("curvature", evidence(drives[:2], [one for one in answers if one.index < 2]))
    assert "one way" in found.notes[0]


def test_stated_uncertainty_of_the_mismatch_covers_the_truth(evidence):
    rng = np.random.default_rng(11)
    tries = 150
    inside = 0
    for _ in range(tries):
        found = measure("wheel_mismatch", evidence(*blind_legs(0.005 / 70, repeats=2, rng=rng)))
        inside += abs(found.value - 0.5) < 1.96 * found.u
    assert 0.90 <= inside / tries <= 1.0


def test_a_leg_without_a_reading_before_it_is_refused(evidence):
    made = evidence([silent("ahead", 3)], [answer("offset", 5.0, 0), answer("angle", 1.0, 0, "deg")])
    with pytest.raises(CannotMeasureError, match="offset before and after"):
        measure("curvature", made)


def test_half_turns_are_too_far_or_short_whichever_way_they_go(evidence):
    drives = [silent("about left"), silent("about right")]
    angles = [answer("angle", value, index, "deg", SQUARE_DEG) for value, index in ((1.0, -1), (-2.0, 0), (1.0, 1))]
    found = measure("half_turn_error", evidence(drives, angles))
    # To the left from +1 to -2 deg: 177 deg turned. To the right from -2 to +1 deg: 177 deg turned, the other way.
    assert found.value == pytest.approx(-3.0)
    assert found.u == pytest.approx(SQUARE_DEG)  # two turns, each the difference of two readings


def half_turns(evidence, shifts, angle_after=(0.0, 0.0)):
    """Half turns left and right in turn, each displacing the axle's middle by (along, across) as seen before it."""
    drives, answers = [], []
    for number, (along, across) in enumerate(shifts):
        word = ("about left", "about right")[number % 2]
        drives.append(silent("ahead", 5, "both"))
        answers += [answer("along", 2.0, 2 * number), answer("offset", -1.0, 2 * number)]
        drives.append(silent(word, start=(SOUTH, NORTH)[number % 2]))
        # The robot now looks back: what is ahead of the mark is behind it, what is left of the middle is right of it.
        answers += [answer("along", -(2.0 + along), 2 * number + 1), answer("offset", -(-1.0 + across), 2 * number + 1)]
        answers.append(answer("angle", angle_after[number % 2], 2 * number + 1, "deg", SQUARE_DEG))
    return evidence(drives, answers)


def test_the_shift_of_half_turns_is_the_longest_mean_displacement(evidence):
    found = measure("half_turn_shift", half_turns(evidence, [(3.0, -4.0), (1.0, 0.0)] * 3))
    assert (found.value, found.unit, found.n) == (pytest.approx(5.0), "mm", 3)
    assert found.u == pytest.approx(RULER_MM * math.sqrt(2 / 3))  # two readings each, the same on both axes
    assert measure("half_turn_shift", half_turns(evidence, [(0.0, 0.0)] * 2)).u > 0


def test_half_turns_that_shift_forth_and_back_on_average_not_at_all(evidence):
    shifts = [(3.0, 0.0), (0.0, 0.0), (-3.0, 0.0), (0.0, 0.0)] * 2
    found = measure("half_turn_shift", half_turns(evidence, shifts))
    assert found.value == pytest.approx(0.0, abs=1e-9)


def test_the_worse_heading_after_half_turns_is_given(evidence):
    found = measure("heading_after_turn", half_turns(evidence, [(0.0, 0.0)] * 6, angle_after=(1.0, -2.0)))
    assert (found.value, found.n) == (pytest.approx(-2.0), 3)
    assert found.u == pytest.approx(SQUARE_DEG / math.sqrt(3))


def test_left_and_right_turns_are_compared(evidence):
    drives, answers = [], [answer("angle", 0.0, -1, "deg", SQUARE_DEG)]
    for number, (word, angle) in enumerate((("left", 1.0), ("right", 0.5), ("left", 1.5), ("right", 1.0))):
        drives.append(silent(word))
        answers.append(answer("angle", angle, number, "deg", SQUARE_DEG))
    # Left turns go 1 deg too far; right ones, clockwise, from 1.0 to 0.5 and from 1.5 to 1.0 deg: 0.5 deg too far.
    found = measure("direction_difference", evidence(drives, answers))
    assert (found.value, found.n) == (pytest.approx(0.5), 4)
    assert found.u == pytest.approx(SQUARE_DEG * math.sqrt(2))  # two readings a turn, two turns a side
    assert measure("quarter_turn_error", evidence(drives, answers)).value == pytest.approx(0.75)


@pytest.mark.parametrize(("word", "passed_on"), [("left", 1.0), ("right", -1.0)])
def test_an_offset_before_a_turn_is_taken_out_of_the_distance_after_it(evidence, word, passed_on):
    drives = [silent("ahead", 4, "right"), silent(word), silent("ahead", 1, "right"), silent("ahead", 3, "right")]
    answers = [answer("offset", 3.0, 0), answer("along", 5.0, 2), answer("along", 50.0, 3)]
    found = measure("first_edge_distance", evidence(drives, answers))
    assert (found.value, found.n) == (pytest.approx(5.0 - 3.0 * passed_on), 1)
    told = measure("first_edge_distance", evidence(drives, answers[1:]))
    assert told.value == 5.0
    assert "not read before" in told.notes[0]


def test_the_clearance_of_the_next_blind_run_is_told_from_readings(evidence):
    # One cell, from the middle and straight: 2 mm and 1 deg to the left after it, so 1 deg more after every cell.
    answers = [answer("offset", 0.0, -1), answer("angle", 0.0, -1, "deg", SQUARE_DEG)]
    kappa = math.radians(1.0) / 180
    answers += [answer("offset", kappa * 180**2 / 2, 0), answer("angle", 1.0, 0, "deg", SQUARE_DEG)]
    made = evidence([silent("ahead", 1)], answers)
    found = clearance_by_readings(made, 2)
    y, th = kappa * 540**2 / 2, 3 * math.radians(1.0)
    # Half of 168 mm less the offset and half of the body, and what its front corner reaches further by turning.
    corner = made.robot.body_front_mm * math.sin(th) + made.robot.body_width_mm / 2 * math.cos(th)
    assert found.value == pytest.approx(84.0 - y - corner)
    assert found.u > math.radians(SQUARE_DEG) * 360
    with pytest.raises(CannotMeasureError, match="were not read"):
        clearance_by_readings(evidence([silent("ahead", 1)], answers[:2]), 2)
    with pytest.raises(CannotMeasureError, match="no drive asked of is one blind straight"):
        clearance_by_readings(evidence([silent("ahead", 1, "both")], answers), 2)


def test_quarter_turns_and_exit_offsets(evidence):
    drives = [silent("right")]
    answers = [answer("angle", 0.0, -1, "deg"), answer("angle", -2.0, 0, "deg"), answer("offset", 4.0, 0)]
    made = evidence(drives, answers)
    assert measure("quarter_turn_error", made).value == pytest.approx(2.0)
    assert measure("exit_offset", made).value == pytest.approx(4.0)  # left is the outside of a right turn
    with pytest.raises(CannotMeasureError, match="no drive that is one such turn"):
        measure("half_turn_error", made)


def test_spread_of_half_turns_is_theirs(evidence):
    angles = np.random.default_rng(5).normal(0, 1, 12)
    found = measure("half_turn_spread", turned(evidence, angles, 0.1))
    # Each turn is the difference of two readings good to 0.1 deg, which scatter without any spread of the turns.
    assert found.value == pytest.approx(math.sqrt(np.var(angles, ddof=1) - 2 * 0.1**2))
    assert (found.is_spread, found.n) == (True, 12)
    assert found.dof == pytest.approx(11 * (found.value**2 / np.var(angles, ddof=1)) ** 2)


def turned(evidence, errors_deg, u_deg):
    """Half turns to the left with these errors, each read before and after it."""
    drives, answers, at = [], [answer("angle", 0.0, -1, "deg", u_deg)], 0.0
    for index, error in enumerate(errors_deg):
        drives.append(silent("about left"))
        at += error
        answers.append(answer("angle", at, index, "deg", u_deg))
    return evidence(drives, answers)


def test_half_of_a_variance_at_least_is_taken_for_the_robots(evidence):
    errors = np.random.default_rng(6).normal(0, 0.5, 12)
    found = measure("half_turn_spread", turned(evidence, errors, 0.4))
    assert found.value == pytest.approx(np.std(errors, ddof=1) / math.sqrt(2))
    assert found.dof == pytest.approx(11 / 4)  # a variance known to 11 degrees of freedom, and half of it left


def test_offsets_under_tracking_directly_or_from_clearances(evidence):
    drives = [silent("ahead", 4, "right"), silent("ahead", 4, "left")]
    answers = [
        answer("offset", 3.0, 0),
        answer("clearance-left", 45.0, 1),  # 44 mm each side in the middle for a body of 80 mm
        answer("clearance-right", 43.0, 1),
    ]
    made = evidence(drives, answers)
    assert measure("offset_right_wall", made).value == 3.0
    assert measure("offset_left_wall", made).value == -1.0
    # Half the difference of two rulers, and the panel beside the one place, which a sensor sees stand off by 0.7 mm.
    assert measure("offset_left_wall", made).u == pytest.approx(math.hypot(RULER_MM / math.sqrt(2), 0.7))
    assert measure("offset_sum", made).value == 2.0
    assert measure("offset_difference", made).value == -4.0
    with pytest.raises(CannotMeasureError, match="tracking by both"):
        measure("lateral_offset", made)


def test_stops_by_ruler_give_slope_intercept_and_position(evidence):
    boards = [0.0, 5.0, 10.0] * 5
    drives = [silent("ahead", 3, "both", board_mm=board) for board in boards]
    answers = [answer("along", 1.5 - board, index) for index, board in enumerate(boards)]
    made = evidence(drives, answers)
    slope = measure("reset_slope", made)
    assert slope.value == pytest.approx(1.0)
    # 0.5 mm in each of 15 stops, and the board of 10 mm good to 0.3 mm, with a lever of 0.1 per mm (derived).
    assert slope.u == pytest.approx(math.hypot(0.5 / math.sqrt(250), 0.03 / math.sqrt(3)), rel=1e-6)
    assert measure("reset_intercept", made).value == pytest.approx(1.5)
    found = measure("stop_position", made)
    assert (found.value, found.n) == (pytest.approx(1.5), 5)
    assert found.u == pytest.approx(0.5 / math.sqrt(5))


def test_a_second_wall_is_averaged_with_the_boarded_one_and_tells_no_slope(evidence):
    """The line through the boarded wall's stops starts at 1.5 mm, the other wall's stops are at 0.5 mm: 1.0 mm."""
    west = CellPose(x=3, y=3, heading=Heading.WEST)
    stops = [(NORTH, board, 1.5 - board) for board in (0.0, 5.0, 10.0)] + [(west, 0.0, 0.5)]
    drives = [silent("ahead", 3, "both", start, board_mm=board) for start, board, _ in stops * 4]
    made = evidence(drives, [answer("along", value, index) for index, (*_, value) in enumerate(stops * 4)])
    assert measure("reset_slope", made).value == pytest.approx(1.0)
    assert (measure("reset_slope", made).n) == 12
    assert measure("reset_intercept", made).value == pytest.approx(1.0)
    found = measure("stop_position", made)
    assert (found.value, found.n) == (pytest.approx(1.0), 8)
    assert found.u == pytest.approx(RULER_MM / math.sqrt(8))


def test_leg_distance_is_scaled_to_four_cells(evidence):
    drives = [silent("ahead", 2)]
    found = measure("leg_distance", evidence(drives, [answer("along", 0.5, -1), answer("along", 2.5, 0)]))
    assert found.value == pytest.approx(4.0)
    assert found.u == pytest.approx(2 * RULER_MM * math.sqrt(2))


def test_lap_times_by_stopwatch(evidence):
    drives = [silent("ahead", 4, tracking) for tracking in ("right", "left", "right", "left")]
    times = [10.2, 10.0, 10.2, 10.0]
    answers = [answer("lap-time", time, index, "s", 0.1) for index, time in enumerate(times)]
    found = measure("lap_time_asymmetry", evidence(drives, answers))
    assert found.value == pytest.approx(100 * 0.2 / 10.1)
    assert found.u == pytest.approx(100 * 0.1 / 10.1)  # 0.1 s / sqrt(2) for each mean, two of them
    assert found.source == "operator"


def test_contacts_by_eye_are_counted(evidence):
    drives = [silent("ahead", 4, "right")] * 3
    found = measure(
        "contacts", evidence(drives, [answer("contacts", n, index, "", 0) for index, n in enumerate((0, 2, 0))])
    )
    assert (found.value, found.n, found.is_count) == (2.0, 3, True)
