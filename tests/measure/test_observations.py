"""The operator's route on answers computed from closed forms, with an instrument's noise where coverage is asked."""

import math

import numpy as np
import pytest

from hil.measure.evidence import Answer, Drive, Evidence, Samples
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, ElementKind, Heading, PathElement
from hil.measure.values import CannotMeasureError

NORTH = CellPose(x=0, y=0, heading=Heading.NORTH)
SOUTH = CellPose(x=0, y=3, heading=Heading.SOUTH)
RULER_MM, SQUARE_DEG = 0.5, 0.4  # common practice, no source
WORDS = {"about left": ElementKind.ABOUT_LEFT, "about right": ElementKind.ABOUT_RIGHT, "right": ElementKind.RIGHT}


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
    assert measure("offset_left_wall", made).u == pytest.approx(RULER_MM / math.sqrt(2))
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
