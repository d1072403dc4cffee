"""The robot's clock against the host's, on clocks made up here, so that the right answer is known."""

from __future__ import annotations

import random

import pytest

from hil.engine.clock_skew import FEWEST, SHORTEST_S, ClockSkew


def test_a_clock_that_is_100_ppm_fast_is_told_so() -> None:
    skew = ClockSkew()
    for number in range(200):
        host_s = 1000.0 + number * 0.05
        skew.take(host_s, 7.0 + (host_s - 1000.0) * (1 + 100e-6))
    found = skew.maybe_skew
    assert found is not None
    assert found.ppm == pytest.approx(100.0, abs=0.01)
    assert found.scatter_s == pytest.approx(0.0, abs=1e-9)


def test_delays_of_a_bridge_widen_the_uncertainty_and_move_no_more_than_it_says() -> None:
    # Delays even between 0 and 16 ms, as a latency timer makes them: standard deviation 16 ms / sqrt(12) = 4.6 ms.
    draw = random.Random(1)
    skew = ClockSkew()
    for number in range(2000):
        robot_s = number * 0.02
        skew.take(robot_s / (1 - 50e-6) + draw.uniform(0.0, 0.016), robot_s)
    found = skew.maybe_skew
    assert found is not None
    assert found.scatter_s == pytest.approx(0.0046, rel=0.1)
    assert abs(found.ppm - -50.0) < 3 * found.u_ppm
    assert found.u_ppm < 20


def test_nothing_is_said_of_few_lines_or_a_short_time() -> None:
    few, short = ClockSkew(), ClockSkew()
    for number in range(FEWEST - 1):
        few.take(float(number), float(number))
    for number in range(1000):
        short.take(number * SHORTEST_S / 1100, number * SHORTEST_S / 1100)
    assert few.maybe_skew is None
    assert short.maybe_skew is None


def test_a_clock_that_wraps_goes_on() -> None:
    skew = ClockSkew(modulus_s=8.0)
    for number in range(400):
        skew.take(number * 0.05, (number * 0.05) % 8.0)
    found = skew.maybe_skew
    assert found is not None
    assert found.ppm == pytest.approx(0.0, abs=0.01)
    assert skew.restarts == 0


def test_a_robot_that_began_anew_begins_a_new_fit() -> None:
    skew = ClockSkew()
    for number in range(100):
        skew.take(number * 0.1, 500.0 + number * 0.1)
    for number in range(100):
        skew.take(10.0 + number * 0.1, number * 0.1 * (1 + 200e-6))
    found = skew.maybe_skew
    assert skew.restarts == 1
    assert found is not None
    assert found.ppm == pytest.approx(200.0, abs=0.01)
