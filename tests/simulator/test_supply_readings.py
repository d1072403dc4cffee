"""What the robot tells of its supply: motor rail and current as a converter of ten bits reads them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hil.catalogue import Kind, shipped
from hil.measure.model import Robot, Supply
from hil.simulator.bench import VirtualBench
from hil.simulator.gauges import CURRENT_SCALE_A, VOLTS_SCALE_V, SupplyReading
from hil.spec.loading import load_course, load_protocol
from hil.wire.link import End, Link
from hil.wire.received import Telemetry


def test_a_reading_is_the_mean_of_sixteen_whole_counts_that_scatter_about_the_truth() -> None:
    reading = SupplyReading(lambda: 6.04, scale=VOLTS_SCALE_V, bound=0.0, seed=1, key=0)
    seen = np.array([reading() for _ in range(4000)])
    step = 12.0 / 1023
    assert np.allclose(16 * seen / step, np.round(16 * seen / step))
    assert seen.mean() == pytest.approx(6.04, abs=0.001)
    assert seen.std() / step == pytest.approx(((0.7**2 + 1 / 12) / 16) ** 0.5, rel=0.04)  # scatter and rounding


def test_a_divider_is_off_by_the_same_share_always_and_by_another_on_another_robot() -> None:
    shares = []
    for seed in range(300):
        reading = SupplyReading(lambda: 6.0, scale=VOLTS_SCALE_V, bound=0.01, seed=seed, key=0)
        shares.append(np.mean([reading() for _ in range(100)]) / 6 - 1)
    assert np.abs(shares).max() == pytest.approx(0.01, abs=0.001)
    assert np.std(shares) == pytest.approx(0.01 / 3**0.5, rel=0.1)  # evenly within the bound


def test_nothing_is_read_below_zero_and_nothing_above_full_scale() -> None:
    assert {SupplyReading(lambda: -0.5, scale=CURRENT_SCALE_A, bound=0.0, seed=1, key=1)() for _ in range(9)} == {0.0}
    over = SupplyReading(lambda: 9.0, scale=CURRENT_SCALE_A, bound=0.0, seed=1, key=1)
    assert [over() for _ in range(9)] == pytest.approx([CURRENT_SCALE_A] * 9)


def test_the_health_line_tells_the_rail_behind_the_regulator_and_the_current_that_is_drawn(robot: Robot) -> None:
    supply = Supply(chemistry="9 V block", cells=1, lowest_v=7.0, motor_v=6.0)
    bench = VirtualBench(
        robot=replace(robot, supply=supply),
        dialect=load_protocol(shipped(Kind.PROTOCOL)["tagged-lines"]),
        course=load_course(shipped(Kind.COURSE)["corridor-six"]),
        seed=1,
        dead_man_s=0.0,
    )
    link, device = Link(bench.device.dialect, End.HOST), bench.device
    device.receive(link.start("stream", {"period": 0.02}, device.now_s).data)
    bench.plant.put_on_stand()
    device.advance(0.5)
    device.spin(0.8, 0.8, 3.0)
    device.advance(3.3)
    health = [
        item for item in link.receive(device.take_output()) if isinstance(item, Telemetry) and item.message == "health"
    ]
    rails = np.array([item.values["supply.motor"] for item in health], dtype=np.float64)
    currents = np.array([item.values["supply.current"] for item in health], dtype=np.float64)
    assert rails == pytest.approx(6.0, abs=0.06 + 0.04)  # a divider of 1 %, and scatter
    assert currents[0] < 0.01
    # The motors of free wheels: dry friction over gear and motor constant, at their duty.
    drawn = currents[-8:].mean()
    assert drawn == pytest.approx(2 * 0.8 * 1e-3 / (10 * 3.5e-3), abs=0.004)
    batteries = np.array([item.values["supply.battery"] for item in health], dtype=np.float64)
    assert batteries[0] == pytest.approx(9.5, abs=0.04)
    assert 9.5 - batteries[-4:].mean() == pytest.approx(drawn * (1.7 + 0.5 * (1 - np.exp(-2.5 / 4))), abs=0.02)
