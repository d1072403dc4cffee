"""Duty at the test speed on drives typed here: which readings count, what comes of them, and when there are too few."""

import numpy as np
import pytest

from hil.measure.evidence import Drive, Evidence, Samples
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Heading
from hil.measure.values import CannotMeasureError

START = CellPose(x=0, y=0, heading=Heading.NORTH)
SPEED = 300.0


@pytest.fixture
def robot(corridor, drawing):
    return drawing(course=corridor).robot


def driven(robot, *, cruise=(0.30, 0.28), elsewhere=0.9, cruise_s=3.0, name="tracked", every_s=0.2):
    """Return a drive: half a second of start, the cruise, a second of turn on the spot, the cruise, a stop."""
    time = np.arange(0.0, 2 * cruise_s + 2.0, 0.01)
    starts, turns = time < 0.5, (time >= 0.5 + cruise_s) & (time < 1.5 + cruise_s)
    stops = time >= 1.5 + 2 * cruise_s
    speed = np.where(starts, 2 * SPEED * time, np.where(stops, 0.0, SPEED))
    counts = {}
    for wheel, scale, sign in (("left", robot.mm_per_count_left, -1), ("right", robot.mm_per_count_right, 1)):
        counts[f"encoder.{wheel}"] = np.floor(np.cumsum(np.where(turns, sign * SPEED, speed)) * 0.01 / scale)
    at = np.arange(0.05, time[-1], every_s)
    steady = ((at > 0.5) & (at < 0.5 + cruise_s)) | ((at > 1.5 + cruise_s) & (at < 1.5 + 2 * cruise_s))
    duty = {
        f"duty.{wheel}": np.where(steady, level, elsewhere)
        for wheel, level in zip(("left", "right"), cruise, strict=True)
    }
    return Drive(
        name=name, case="c", repeat=0, path=(), front="counts", speed_mm_s=SPEED, start=START, events=(),
        samples={
            "motion": Samples(host_s=time, values={"time": time, **counts}),
            "health": Samples(host_s=at, values={"time": at, **duty}),
        },
    )  # fmt: skip


def measured(robot, corridor, name, *drives):
    evidence = Evidence(robot=robot, course=corridor, drives=drives, answers=())
    return METHODS[f"supply.{name}"].run(evidence, Parameters(numbers={}, words={"in": "tracked"}))


def test_only_readings_at_the_speed_asked_for_count(robot, corridor):
    found = measured(robot, corridor, "duty_at_speed", driven(robot))
    assert found.value == pytest.approx(30.0)  # not a trace of the 90 % in the start, the turn and the stop
    assert found.notes == ("The left wheel's.",)
    difference = measured(robot, corridor, "duty_difference_at_speed", driven(robot))
    assert difference.value == pytest.approx(100 * (0.30 - 0.28) / 0.29)


def test_several_drives_tell_their_own_scatter(robot, corridor):
    drives = [driven(robot, cruise=(level, level)) for level in (0.28, 0.30, 0.32)]
    found = measured(robot, corridor, "duty_at_speed", *drives)
    assert found.value == pytest.approx(30.0)
    assert found.u == pytest.approx(2.0 / np.sqrt(3))  # standard deviation of three over root three, GUM 4.2.3
    assert found.dof == 2


def test_a_robot_that_goes_backwards_on_a_wheel_counts_its_size(robot, corridor):
    assert measured(robot, corridor, "duty_at_speed", driven(robot, cruise=(-0.3, 0.2))).value == pytest.approx(30.0)


def test_too_few_readings_are_said(robot, corridor):
    with pytest.raises(CannotMeasureError, match=r"in 'tracked' 0 readings of duty .* at least 5 are needed"):
        measured(robot, corridor, "duty_at_speed", driven(robot, name="another"))
    with pytest.raises(CannotMeasureError, match="duty told more often"):
        measured(robot, corridor, "duty_at_speed", driven(robot, every_s=2.0))
