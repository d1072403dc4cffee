"""Faults as they are written, what is refused, and what each does to the truth."""

from __future__ import annotations

import pytest

from hil.errors import UsageError
from hil.measure.model import Robot
from hil.simulator.faults import FAULTS, Fault, apply_faults, parse_fault, parse_faults
from hil.simulator.parameters import Truth, nominal_truth


def with_faults(truth: Truth, *texts: str) -> Truth:
    return apply_faults(truth, parse_faults(texts))


@pytest.mark.parametrize("spec", FAULTS.values(), ids=list(FAULTS))
def test_the_example_of_every_fault_is_taken_and_changes_the_truth(spec, exact: Truth) -> None:
    fault = parse_fault(f"{spec.name}={spec.example}")
    assert fault.name == spec.name
    assert apply_faults(exact, [fault]) != exact


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("wheel-mismatch=0.5 %", 0.005),
        ("wheel-base=2 %", 0.02),
        ("sensor-gain-left=0.9", 0.9),
        ("front-trigger=10 mm", 10.0),
        ("front-trigger=1 cm", 10.0),
        ("front-reset=off", False),
        ("loop-pause=20 ms", 20.0),
        ("loop-pause=0.02 s", 20.0),
        ("battery-resistance=2 ohm", 2.0),
        ("battery-resistance=2 Ω", 2.0),
        ("grip=0.3", 0.3),
        ("dead-sensor=wall.left", "wall.left"),
        ("port-lost-at=12 s", 12.0),
        (" grip = 0.3 ", 0.3),
    ],
)
def test_a_fault_is_read_in_its_unit(text: str, value: object) -> None:
    assert parse_fault(text).value == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("wheel-mismach=1 %", "did you mean wheel-mismatch?"),
        ("wheel-mismatch", "has no value"),
        ("wheel-mismatch=", "has no value"),
        ("wheel-mismatch=0.5", "has no unit"),
        ("wheel-mismatch=0.5 mm", "cannot be expressed in %"),
        ("wheel-mismatch=50 %", "out of bounds"),
        ("grip=0", "out of bounds"),
        ("grip=0.3 kg", "cannot be expressed"),
        ("loop-pause=-1 ms", "out of bounds"),
        ("front-reset=no", "on or off"),
        ("dead-sensor=wall.lft", "did you mean wall.left?"),
        ("dead-sensor=wall.left.dark", "is no wall sensor"),
        ("grip=nan", "is not a number"),
        ("=1", "no fault named ''"),
    ],
)
def test_a_wrong_fault_is_refused_with_a_sentence(text: str, part: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_fault(text)
    assert part in str(caught.value)
    assert text in str(caught.value)


def test_a_fault_given_twice_is_refused() -> None:
    with pytest.raises(UsageError, match="grip is given twice"):
        parse_faults(["grip=0.3", "wheel-base=1 %", "grip=0.4"])


def test_a_sensor_that_the_robot_has_not_is_refused(exact: Truth) -> None:
    with pytest.raises(UsageError, match=r"has no sensor wall\.left\.diagonal"):
        with_faults(exact, "dead-sensor=wall.left.diagonal")


def test_mismatch_is_shared_by_both_wheels_and_keeps_their_mean(exact: Truth) -> None:
    chassis = with_faults(exact, "wheel-mismatch=1 %").chassis
    left, right = chassis.wheel_diameter_left_mm, chassis.wheel_diameter_right_mm
    assert (right - left) / ((right + left) / 2) == pytest.approx(0.01)
    assert (right + left) / 2 == pytest.approx(exact.chassis.wheel_diameter_left_mm)


def test_faults_add_to_the_residuals_of_the_unit_in_any_order(robot: Robot) -> None:
    nominal = nominal_truth(robot, 5)
    one = with_faults(nominal, "wheel-mismatch=1 %", "mean-diameter=1 %", "wheel-base=2 %", "grip=0.3")
    other = with_faults(nominal, "grip=0.3", "wheel-base=2 %", "mean-diameter=1 %", "wheel-mismatch=1 %")
    assert one == other
    assert one.wheel_mismatch - nominal.wheel_mismatch == pytest.approx(0.01)
    ratio = one.chassis.wheel_base_mm / nominal.chassis.wheel_base_mm
    assert ratio == pytest.approx(1 + 0.02 / (1 + nominal.wheel_base_error))


def test_no_fault_changes_nothing(exact: Truth) -> None:
    assert apply_faults(exact, ()) == exact
    assert isinstance(parse_fault("grip=1"), Fault)
