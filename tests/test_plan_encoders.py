"""What a plan says beforehand of measurements of encoders: whether their tolerances can be decided, and by what."""

from __future__ import annotations

import pytest

from hil.judge.tolerance import parse_tolerance
from hil.measure.method import TWO_OUTPUTS, Parameters
from hil.measure.methods import METHODS
from hil.measure.model import Robot
from hil.plan.design import Design
from hil.plan.reporting import Reporting
from hil.plan.resolution import Ability, Resolution, resolution
from hil.spec.suite_values import MeasureSpec

EDGES = frozenset({"encoder.left.edge", "encoder.right.edge"}) | {TWO_OUTPUTS}
ROBOT = Robot(
    name="drawn", serial="D-1", robot_class="entry", body_width_mm=80, body_front_mm=50, body_rear_mm=50,
    wheel_diameter_left_mm=28, wheel_diameter_right_mm=28, wheel_base_mm=70, counts_per_turn=360, sensors=(),
    adc_full_scale=1023,
)  # fmt: skip
DESIGN = Design(
    robot=ROBOT, pitch_mm=180, speed_mm_s=300, drives=0, rounds=1, straights=0, half_turns=0, quarter_turns=0, places=1,
    curve_mm=180, shortest_mm=180, longest_mm=180, lap_s=1.0, observations=(), reporting=Reporting(),
)  # fmt: skip


def planned(method: str, tolerance: str, channels: frozenset[str] = EDGES) -> Resolution:
    spec = MeasureSpec(name="it", method=method, parameters=Parameters())
    wanted = parse_tolerance(tolerance, METHODS[method].unit)
    return resolution(spec, wanted, DESIGN, by_person=False, channels=channels)


@pytest.mark.parametrize(
    ("method", "tolerance", "u"),
    # sd = s/(2 sqrt n) of a cycle: 5 % of jitter and 100 cycles tell duty to 0.25 %, angles to 0.9 deg.
    [
        ("encoder.duty", "50 ± 5 %", 0.25),
        ("encoder.phase", "90 ± 20 deg", 0.9),
        ("encoder.state_width", "45..135 deg", 0.9),
    ],
)  # fmt: skip
def test_shares_of_a_cycle_can_be_decided_by_edges(method: str, tolerance: str, u: float) -> None:
    found = planned(method, tolerance)
    assert found.u == pytest.approx(u)
    assert found.ability is Ability.CAN
    assert "jitter of edges" in found.text


def test_a_duty_tighter_than_edges_show_cannot_be_decided() -> None:
    assert planned("encoder.duty", "50 ± 0.5 %").ability is Ability.CANNOT


def test_wrong_edges_are_counted_over_edges_and_not_over_drives() -> None:
    assert planned("encoder.missing", "= 0").text == (
        "it: counted over every edge taken down, tolerance = 0: can be decided"
    )


def test_a_robot_that_takes_no_edges_down_is_told_so() -> None:
    found = planned("encoder.duty", "50 ± 5 %", frozenset({"encoder.left"}))
    assert found.ability is Ability.CANNOT
    assert "does not report encoder.left.edge" in found.text
