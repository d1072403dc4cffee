"""The meter: true values within its stated accuracy, at rest and while free wheels are turned."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from hil.catalogue import Kind, shipped
from hil.errors import UsageError
from hil.measure.model import CellPose, Heading, Robot
from hil.simulator.bench import VirtualBench
from hil.simulator.meter import DIGIT, DIGITS, SHARE, Meter
from hil.simulator.parameters import Truth
from hil.simulator.person import Look, PersonReading
from hil.simulator.power import Battery, RailTruth
from hil.spec.loading import load_course, load_protocol

POSE = CellPose(x=0, y=0, heading=Heading.NORTH)


@pytest.fixture
def bench_of(robot: Robot) -> Callable[[Truth], VirtualBench]:
    """A bench with a robot of that truth."""

    def bench(truth: Truth) -> VirtualBench:
        return VirtualBench(
            robot=robot,
            dialect=load_protocol(shipped(Kind.PROTOCOL)["tagged-lines"]),
            course=load_course(shipped(Kind.COURSE)["corridor-six"]),
            seed=1,
            truth=truth,
            dead_man_s=0.0,  # nobody is heard here
        )

    return bench


def read(bench: VirtualBench, at: str, unit: str) -> PersonReading:
    reading = bench.person.observe("meter", POSE, Look(at=at, unit=unit))
    assert reading is not None
    return reading


def test_what_is_shown_is_within_the_stated_accuracy_and_uses_most_of_it() -> None:
    shares = []
    for seed in range(300):
        for true in (0.3, 6.04, 9.5):
            error = Meter(seed).show(true, "V").value - true
            shares.append(error / (SHARE * true + DIGITS * DIGIT))
    assert np.abs(shares).max() <= 1.0
    assert np.abs(shares).max() > 0.85
    # An even spread over the bound has a deviation of it over the root of three; two even parts give somewhat less.
    assert 0.35 < float(np.std(shares)) < 1 / math.sqrt(3)


def test_its_uncertainty_is_the_bound_over_the_root_of_three_and_follows_the_unit() -> None:
    volts, millivolts = Meter(1).show(6.0, "V"), Meter(1).show(6.0, "mV")
    assert volts.u == pytest.approx((0.005 * 6 + 0.02) / math.sqrt(3))
    assert millivolts.u == pytest.approx(1000 * volts.u)
    assert millivolts.value == pytest.approx(1000 * volts.value)
    assert round(volts.value, 2) == volts.value  # two digits behind the point


def test_rest_and_load_are_told_apart_by_when_the_person_is_asked(
    exact: Truth, bench_of: Callable[[Truth], VirtualBench]
) -> None:
    battery = Battery(open_circuit_v=9.5, resistance_ohm=1.7, slow_resistance_ohm=0.0, volts_per_coulomb=0.0)
    bench = bench_of(replace(exact, battery=battery, rail=RailTruth(set_v=6.0, dropout_v=2.0)))
    device = bench.device
    device.advance(0.5)
    at_rest = read(bench, "supply.battery", "V")
    assert at_rest.value == pytest.approx(9.5, abs=0.005 * 9.5 + 0.02)
    bench.plant.put_on_stand()
    device.spin(0.8, 0.8, 2.0)
    device.advance(device.now_s + 1.5)
    assert device.driving
    during = bench.plant.supply
    # Dry friction of 1 mNm over gear and motor constant, each: 28.6 mA at a duty of 0.8.
    assert during.current_a == pytest.approx(2 * 0.8 * 1e-3 / (10 * 3.5e-3), rel=0.01)
    assert read(bench, "supply.current", "mA").value == pytest.approx(1000 * during.current_a, rel=0.005, abs=20)
    while device.driving:
        device.advance(device.now_s + 0.02)
    assert bench.plant.supply.current_a == 0.0
    # Asked now the person tells what was read a moment ago, all points at the same load.
    sag_v = at_rest.value - read(bench, "supply.battery", "V").value
    assert sag_v == pytest.approx(1.7 * during.current_a, abs=0.011)  # one meter is off alike both times
    assert read(bench, "supply.current", "A").value == pytest.approx(during.current_a, rel=0.005, abs=0.02)
    assert read(bench, "supply.motor", "V").value == pytest.approx(6.0, abs=0.005 * 6 + 0.02)
    device.advance(device.now_s + 3.1)
    assert read(bench, "supply.current", "A").value == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(
    ("at", "unit", "part"),
    [
        ("supply.moter", "V", "cannot be held to"),
        ("supply.motor", "A", "shows nothing in 'A'"),
        ("supply.current", "", "mA"),
    ],
)
def test_a_meter_held_wrongly_is_refused(
    exact: Truth, bench_of: Callable[[Truth], VirtualBench], at: str, unit: str, part: str
) -> None:
    with pytest.raises(UsageError, match=part):
        read(bench_of(exact), at, unit)
