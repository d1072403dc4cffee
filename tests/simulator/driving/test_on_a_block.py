"""The robot on a 9 V block: its motors run on a regulated rail, and it drives as one on a strong battery does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from hil.catalogue import Kind, shipped
from hil.measure.regulator import set_bounds_v
from hil.spec.loading import load_robot
from hil.spec.robot_values import RobotFile

Rigs = Callable[..., Any]


@pytest.fixture(scope="module")
def block() -> RobotFile:
    """The shipped robot on a block."""
    return load_robot(shipped(Kind.ROBOT)["virtual-block"])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_drives_a_straight_to_its_end_on_the_rail_that_its_parts_set(rig: Rigs, block: RobotFile, seed: int) -> None:
    device_rig = rig(robot=block.robot, seed=seed)
    plant, rails = device_rig.bench.plant, []
    device_rig.ask("stream", period=0.02)
    device_rig.start("ahead 4 both")
    while device_rig.bench.device.driving:
        device_rig.run(0.02)
        rails.append(plant.rail_v)
    assert plant.y_mm == pytest.approx(4 * 180, abs=3)
    assert plant.contacts == 0
    supply = block.robot.supply
    assert supply is not None
    assert supply.regulator is not None
    low, high = set_bounds_v(supply.regulator)
    assert len(set(rails)) == 1  # the block holds out throughout
    assert low <= rails[0] <= high
    told = np.array([one.values["supply.motor"] for one in device_rig.telemetry("health")], dtype=np.float64)
    assert told.mean() == pytest.approx(rails[0], rel=0.01, abs=0.01)  # its divider is of 1 %
