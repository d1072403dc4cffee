"""What follows from lengths that a person read, held to plane geometry."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hil.measure.evidence import Answer
from hil.measure.readings import angle_by_offsets, curvature_by_bow, offset_by_clearances, with_derived
from hil.measure.values import CannotMeasureError


def answer(name: str, value: float, index: int = 0, **how: str | float) -> Answer:
    return Answer(
        name=name, value=value, unit="mm", u=0.5, case="a", repeat=0, index=index, source="operator", how=dict(how)
    )


def test_angle_of_two_offsets_is_that_of_the_line_through_them() -> None:
    true = math.radians(2.0)
    # Points 50 mm before and behind the axle of a robot that stands 1.5 mm to the left.
    front, rear = 1.5 + 50 * math.sin(true), 1.5 - 50 * math.sin(true)
    angle, u = angle_by_offsets(front, rear, 100.0, 0.5)
    assert angle == pytest.approx(true, rel=1e-12)
    assert math.degrees(u) == pytest.approx(math.degrees(math.sqrt(2) * 0.5 / 100 / math.cos(true)), rel=1e-12)


def test_offsets_that_no_line_of_that_length_has_are_refused() -> None:
    with pytest.raises(CannotMeasureError, match="100 mm apart cannot have offsets that differ by 120 mm"):
        angle_by_offsets(60.0, -60.0, 100.0, 0.5)


def test_curvature_of_a_bow_is_that_of_the_circle_exactly() -> None:
    # A circle to the left (positive) has the middle of its arc to the right (negative) of the chord.
    radius = 7000.0
    over = 540.0
    bow = radius - math.sqrt(radius**2 - (over / 2) ** 2)
    assert curvature_by_bow(-bow, over, 0.5)[0] == pytest.approx(1 / radius, rel=1e-9)
    assert curvature_by_bow(bow, over, 0.5)[0] == pytest.approx(-1 / radius, rel=1e-9)


def test_u_of_a_curvature_is_the_slope_times_that_of_three_marks() -> None:
    step = 1e-4
    slope = (curvature_by_bow(5 + step, 540, 0.5)[0] - curvature_by_bow(5 - step, 540, 0.5)[0]) / (2 * step)
    assert curvature_by_bow(5, 540, 0.5)[1] == pytest.approx(abs(slope) * math.sqrt(0.25 * 1.5), rel=1e-6)


def test_gaps_to_both_walls_tell_the_offset() -> None:
    # A body of 80 mm, 3 mm to the left of the middle of a passage of 168 mm: gaps of 41 and 47 mm.
    assert offset_by_clearances(41.0, 47.0, 0.5, 0.5) == (3.0, pytest.approx(0.5 / math.sqrt(2)))


def test_two_offsets_become_the_angle_that_methods_ask_for() -> None:
    given = [
        answer("angle.front", 2.0, part="front", apart_mm=100.0),
        answer("angle.rear", -1.0, part="rear", apart_mm=100.0),
    ]
    (angle,) = with_derived(given)
    assert (angle.name, angle.unit) == ("angle", "rad")
    assert angle.value == pytest.approx(math.asin(0.03))


def test_offsets_of_different_places_are_no_angle() -> None:
    front = answer("angle.front", 2.0, part="front", apart_mm=100.0)
    rear = answer("angle.rear", -1.0, index=1, part="rear", apart_mm=100.0)
    assert with_derived([front, rear]) == ()
    assert with_derived([front, replace(rear, index=0, placed=True)]) == ()


def test_clearances_stand_for_an_offset_that_was_not_read() -> None:
    gaps = [answer("l", 41.0, what="clearance left"), answer("r", 47.0, what="clearance right")]
    derived = with_derived(gaps)
    assert [(one.name, one.value) for one in derived] == [("l", 41.0), ("r", 47.0), ("offset", 3.0)]
    read = answer("offset", 2.5, what="offset")
    assert [one.name for one in with_derived([read, *gaps])] == ["offset", "l", "r"]
