"""What the wall sensors read, against the inverse-square law and the shifts that follow from it."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from hil.measure.model import Course, Heading
from hil.simulator.faults import apply_faults, parse_faults
from hil.simulator.optics import plane_light
from hil.simulator.parameters import Truth
from hil.simulator.plant import Plant
from hil.simulator.world import World

Stand = Callable[..., Plant]


@pytest.fixture
def wide(exact: Truth) -> Truth:
    """Readings without saturation or rounding to speak of, so that laws show."""
    sensors = tuple(replace(sensor, gain=sensor.gain * 1000, dark_counts=0.0) for sensor in exact.sensors)
    return replace(exact, sensors=sensors, robot=replace(exact.robot, adc_full_scale=10**9))


def light(truth: Truth, course: Course, x_mm: float, y_mm: float, heading_deg: float = 90) -> dict[str, int]:
    plant = Plant(truth, World(course, truth.noises, 1), 1)
    plant.place(x_mm, y_mm, math.radians(heading_deg))
    return {channel: lit for channel, (lit, _) in plant.read_sensors().items()}


def test_readings_fall_with_the_square_of_the_distance(wide: Truth, corridor: Course) -> None:
    # At the middle of the corridor, and 10 mm to the left: 49, 39 and 59 mm, each with 2 mm of optical offset.
    centred, left = light(wide, corridor, 0, 90), light(wide, corridor, -10, 90)
    assert centred["wall.left"] == pytest.approx(centred["wall.right"], rel=1e-6)
    assert left["wall.left"] / centred["wall.left"] == pytest.approx((51 / 41) ** 2, rel=0.001)
    assert left["wall.right"] / centred["wall.right"] == pytest.approx((51 / 61) ** 2, rel=0.001)


def test_a_wall_squarely_ahead_reads_as_the_closed_form_of_the_beam(wide: Truth, corridor: Course) -> None:
    seen = light(wide, corridor, 0, 5 * 180)
    assert seen["wall.front"] == pytest.approx(plane_light(wide.sensors[2], 84 - 45), rel=1e-5)
    assert seen["wall.left"] == pytest.approx(plane_light(wide.sensors[0], 49), rel=1e-5)


def test_a_side_wall_reads_about_six_hundred_at_the_centre(exact: Truth, corridor: Course) -> None:
    plant = Plant(exact, World(corridor, exact.noises, 1), 1)
    plant.place(0, 90, math.pi / 2)
    lit, dark = plant.read_sensors()["wall.left"]
    assert lit == pytest.approx(600, abs=8)
    assert dark == pytest.approx(0.05 * 1023, abs=1)


def test_a_small_angle_costs_its_cosine_and_the_longer_way(wide: Truth, corridor: Course) -> None:
    straight, askew = light(wide, corridor, 0, 90, 90), light(wide, corridor, 0, 90, 95)
    # Turned 5 deg left, the left sensor stands at y_s cos + x_s sin across: 84 - 30 sin 5 - 35 cos 5, beam at 5 deg.
    across = 84 - 30 * math.sin(math.radians(5)) - 35 * math.cos(math.radians(5))
    way = across / math.cos(math.radians(5))
    expected = (51 / (way + 2)) ** 2 * math.cos(math.radians(5))
    assert askew["wall.left"] / straight["wall.left"] == pytest.approx(expected, rel=0.003)


@pytest.mark.parametrize(
    ("fault", "gain", "channels"),
    [
        ("surface-gain=0.75", 0.75, ("wall.left", "wall.right", "wall.front")),
        ("sensor-gain-left=0.9", 0.9, ("wall.left",)),
        ("sensor-gain-right=1.2", 1.2, ("wall.right",)),
    ],
)
def test_a_gain_moves_the_apparent_distance_by_the_closed_form(
    wide: Truth, corridor: Course, fault: str, gain: float, channels: tuple[str, ...]
) -> None:
    healthy = light(wide, corridor, 0, 5 * 180)
    faulty = light(apply_faults(wide, parse_faults([fault])), corridor, 0, 5 * 180)
    for sensor in wide.sensors:
        away = (49 if sensor.channel != "wall.front" else 39) + 2
        apparent = away * math.sqrt(healthy[sensor.channel] / faulty[sensor.channel])
        expected = away * (1 / math.sqrt(gain) - 1) if sensor.channel in channels else 0.0
        assert apparent - away == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("step", "at_49_mm", "at_90_mm"), [(1.10, -2.3, -4.2), (1.20, -4.3, -7.8), (1.25, -5.2, -9.5)])
def test_a_gain_step_reads_nearer_as_the_table_of_the_inverse_square_says(
    wide: Truth, corridor: Course, step: float, at_49_mm: float, at_90_mm: float
) -> None:
    # The table is for no optical offset.
    plain = replace(wide, sensors=tuple(replace(sensor, offset_mm=0.0) for sensor in wide.sensors))
    brighter = replace(plain, surface_gain=step)
    y = 5 * 180 + 84 - 45 - 90  # 90 mm before the end
    for channel, away, shift in (("wall.left", 49, at_49_mm), ("wall.front", 90, at_90_mm)):
        before, after = light(plain, corridor, 0, y)[channel], light(brighter, corridor, 0, y)[channel]
        assert away * (math.sqrt(before / after) - 1) == pytest.approx(shift, abs=0.06)


def test_an_edge_blurs_over_the_width_of_the_beam(wide: Truth, corridor_with_opening: Course) -> None:
    # The opening of the fourth cell begins behind the post, 6 mm past the boundary of the cells.
    edge_mm = 2.5 * 180 + 6
    steps = np.arange(-15, 15, 0.25)
    seen = np.array([light(wide, corridor_with_opening, 0, edge_mm + step - 30)["wall.right"] for step in steps])
    full, empty = seen[0], seen[-1]
    assert empty < 0.02 * full  # nothing behind within range
    share = (seen - empty) / (full - empty)
    crossings = {level: float(np.interp(-level, -share, steps)) for level in (0.9, 0.5, 0.1)}
    assert crossings[0.5] == pytest.approx(0, abs=1.0)
    # Half the beam is 49 tan 6 deg = 5.15 mm on the wall; 10 to 90 % of a flat beam is eight tenths of the whole.
    assert crossings[0.1] - crossings[0.9] == pytest.approx(0.8 * 2 * 5.15, abs=2.0)


def test_a_lone_post_is_a_pulse_of_its_own_width(wide: Truth, corridor: Course) -> None:
    walls = frozenset(wall for wall in corridor.walls if wall not in {(0, 2, Heading.EAST), (0, 3, Heading.EAST)})
    open_side = replace(corridor, walls=walls)
    steps = np.arange(-25, 25, 0.25)
    seen = np.array([light(wide, open_side, 0, 2.5 * 180 + step - 30)["wall.right"] for step in steps])
    beside_a_wall = light(wide, corridor, 0, 90)["wall.right"]
    assert seen.max() == pytest.approx(beside_a_wall, rel=0.001)  # the beam just fits on the post
    lit = steps[seen > 0.5 * seen.max()]
    assert lit.mean() == pytest.approx(0, abs=0.2)
    assert lit.max() - lit.min() == pytest.approx(12, abs=1.5)


def test_what_is_out_of_range_is_dark(wide: Truth, field: Course) -> None:
    assert light(wide, field, 0, 0) == {"wall.left": 0, "wall.right": 0, "wall.front": 0}


def test_noise_is_one_per_cent_of_the_reading_and_half_a_count(exact: Truth, corridor: Course) -> None:
    noisy = replace(exact, noises=replace(exact.noises, sensor_share_sd=0.01, sensor_count_sd=0.5))
    plant = Plant(noisy, World(corridor, noisy.noises, 1), 1)
    plant.place(0, 90, math.pi / 2)
    readings = np.array([plant.read_sensors()["wall.left"] for _ in range(4000)])
    signal = readings[:, 0].mean() - readings[:, 1].mean()
    # Rounding to a count adds a twelfth of a count squared. 4000 readings: a deviation is known to 1.1 %.
    assert readings[:, 0].std() == pytest.approx(math.sqrt((0.01 * signal) ** 2 + 0.25 + 1 / 12), rel=0.04)
    assert readings[:, 1].std() == pytest.approx(math.sqrt(0.25 + 1 / 12), rel=0.04)


def test_readings_end_at_full_scale(exact: Truth, corridor: Course) -> None:
    plant = Plant(exact, World(corridor, exact.noises, 1), 1)
    plant.place(-40, 90, math.pi / 2)
    assert plant.read_sensors()["wall.left"][0] == 1023


def test_a_dead_sensor_reads_the_same_always(corridor: Course, exact: Truth) -> None:
    noisy = replace(exact, noises=replace(exact.noises, sensor_share_sd=0.01, sensor_count_sd=0.5))
    plant = Plant(apply_faults(noisy, parse_faults(["dead-sensor=wall.left"])), World(corridor, noisy.noises, 1), 1)
    seen = set()
    for x in (-30, -10, 0, 20):
        plant.place(x, 90, math.pi / 2)
        seen |= {plant.read_sensors()["wall.left"] for _ in range(20)}
    assert seen == {(51, 51)}


def test_a_reading_costs_no_more_in_a_large_course(exact: Truth, corridor: Course) -> None:
    size = 32
    walls = {(x, y, Heading.EAST) for x in range(-1, size) for y in range(size)}
    large = replace(corridor, columns=size, rows=size, walls=frozenset(walls), posts=frozenset())
    costs = []
    for course in (corridor, large):
        plant = Plant(exact, World(course, exact.noises, 1), 1)
        plant.place(0, 180, math.pi / 2)
        plant.read_sensors()
        rounds = []
        for _ in range(7):
            begun = time.perf_counter()
            for _ in range(200):
                plant.read_sensors()
            rounds.append(time.perf_counter() - begun)
        costs.append(min(rounds))
    assert costs[1] < 3 * costs[0]
