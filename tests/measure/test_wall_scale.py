"""The scale of the passage: a darker surface changes no offset and no curvature that is fitted between two walls."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from hil.measure.wall_scale import at_true_width

FREE_MM, SIDE_MM, OFFSET_MM = 168.0, 35.0, 2.0


@dataclass(frozen=True)
class Side:
    sensor: Any
    wall: Any
    usable: Any
    distance_mm: Any


@dataclass(frozen=True)
class Straight:
    left: Any
    right: Any
    robot: Any
    course: Any
    s_mm: Any


def straight(gain: float, y_mm: np.ndarray, *, right: bool = True, apart_mm: float = 2.4) -> Straight:
    """Side distances of a robot at y, read by inverse-square sensors of which the light has changed by `gain`.

    Closed form: a distance d reads (d + d0)/sqrt(gain) - d0.
    """

    def side(sign: int, channel: str) -> Side:
        true_mm = FREE_MM / 2 - SIDE_MM - sign * y_mm
        return Side(
            sensor=SimpleNamespace(channel=channel, y_mm=sign * SIDE_MM, angle_rad=sign * np.pi / 2),
            wall=np.ones(y_mm.shape, dtype=bool),
            usable=np.ones(y_mm.shape, dtype=bool),
            distance_mm=(true_mm + OFFSET_MM) / np.sqrt(gain) - OFFSET_MM,
        )

    calibration = SimpleNamespace(offset_mm=OFFSET_MM)
    return Straight(
        left=side(1, "wall.left"),
        right=side(-1, "wall.right") if right else None,
        robot=SimpleNamespace(calibrations={"wall.left": calibration, "wall.right": calibration}),
        course=SimpleNamespace(free_width_mm=FREE_MM),
        s_mm=apart_mm * np.arange(y_mm.size),
    )


def offset_of(data: Any) -> np.ndarray:
    return (data.right.distance_mm - data.left.distance_mm) / 2


@pytest.mark.parametrize("gain", [0.75, 0.5, 1.3])
def test_darker_or_brighter_walls_give_the_true_offsets(gain: float) -> None:
    y_mm = np.linspace(-8.0, 8.0, 60)
    data = straight(gain, y_mm)
    assert np.abs(offset_of(data) - y_mm).max() > 0.5
    assert offset_of(at_true_width(data)) == pytest.approx(y_mm, abs=1e-9)


def test_small_change_is_left_to_the_fit() -> None:
    data = straight(0.95, np.linspace(-8.0, 8.0, 60))
    assert at_true_width(data) is data


def test_one_wall_alone_has_no_known_sum() -> None:
    data = straight(0.75, np.linspace(-8.0, 8.0, 60), right=False)
    assert at_true_width(data) is data


def test_few_rows_of_both_walls_are_not_trusted() -> None:
    data = straight(0.75, np.linspace(-8.0, 8.0, 60))
    wall = np.arange(60) < 10
    data = replace(data, left=replace(data.left, wall=wall))
    assert at_true_width(data) is data


def test_few_rows_over_a_long_way_are_trusted() -> None:
    y_mm = np.linspace(-8.0, 8.0, 6)
    data = straight(0.75, y_mm, apart_mm=12.5)
    assert offset_of(at_true_width(data)) == pytest.approx(y_mm, abs=1e-9)
