"""The bow of a path: marks on a circle and on a straight, against the geometry of the sagitta."""

from __future__ import annotations

import math

import pytest

from hil.simulator.trail import Trail, bow_mm


def driven(curvature_per_mm: float, length_mm: float) -> Trail:
    """A trail along a circle from the origin, looking north."""
    trail = Trail()
    trail.begin(0.0, 0.0)
    for step in range(1, round(length_mm / 3) + 1):
        way = step * 3.0
        turned = curvature_per_mm * way
        if turned:
            trail.passed(-(1 - math.cos(turned)) / curvature_per_mm, math.sin(turned) / curvature_per_mm)
        else:
            trail.passed(0.0, way)
    trail.end(*trail._points[-1])
    return trail


@pytest.mark.parametrize("curvature", [1e-4, -1e-4, 5e-5])
def test_the_bow_of_a_circle_is_its_sagitta_to_the_other_side_of_its_turn(curvature: float) -> None:
    marks = driven(curvature, 900).marks(600)
    assert marks is not None
    # The sagitta of an arc of length s is R (1 - cos(s / 2R)); a path that bends to the left bows to the right.
    radius = 1 / abs(curvature)
    sagitta = radius * (1 - math.cos(600 / 2 / radius))
    assert bow_mm(marks) == pytest.approx(-math.copysign(sagitta, curvature), rel=0.01)


def test_a_straight_has_no_bow() -> None:
    marks = driven(0.0, 600).marks(500)
    assert marks is not None
    assert bow_mm(marks) == 0


def test_a_straight_that_is_too_short_shows_none() -> None:
    assert driven(0.0, 300).marks(400) is None
    assert driven(0.0, 300).marks(304) is not None
    assert Trail().marks(100) is None


def test_what_is_passed_outside_a_straight_is_not_part_of_it() -> None:
    trail = driven(0.0, 300)
    trail.passed(500.0, 500.0)
    assert trail.length_mm == pytest.approx(300)
