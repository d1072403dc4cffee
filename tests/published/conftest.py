"""What the published checks share: loop timing methods on a plain row of periods."""

import numpy as np
import pytest

from hil.measure.evidence import Drive, Evidence, Samples
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Course, FrontStop, Heading, Robot


@pytest.fixture
def bare_robot():
    return Robot(
        name="bare", serial="1", robot_class="entry", body_width_mm=80, body_front_mm=50, body_rear_mm=50,
        wheel_diameter_left_mm=28, wheel_diameter_right_mm=28, wheel_base_mm=70, counts_per_turn=360, sensors=(),
        adc_full_scale=1023, front_stop=FrontStop.COUNTS,
    )  # fmt: skip


@pytest.fixture
def of_periods(bare_robot):
    """Return a function that measures `loop.NAME` on a row of periods [s]."""

    def measure(name, periods, numbers=None):
        end = np.cumsum(periods)
        rows = Samples(host_s=end, values={"time": end, "loop.periods": np.asarray(periods, dtype=float)})
        drive = Drive(
            name="ticks", case="c", repeat=0, path=(), front="counts", speed_mm_s=0.0,
            start=CellPose(x=0, y=0, heading=Heading.NORTH), samples={"tick": rows}, events=(),
        )  # fmt: skip
        course = Course(
            name="bench", pitch_mm=180, wall_mm=12, columns=1, rows=1, walls=frozenset(), posts=frozenset(),
            surface="white", start=CellPose(x=0, y=0, heading=Heading.NORTH),
        )  # fmt: skip
        evidence = Evidence(robot=bare_robot, course=course, drives=(drive,))
        return METHODS[f"loop.{name}"].run(evidence, Parameters(of=("ticks",), numbers=numbers or {}))

    return measure
