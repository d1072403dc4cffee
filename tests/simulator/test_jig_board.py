"""Boards before the sensors at the jig, lone emitters, light that goes astray, lamps, and wires that are swapped.

Closed forms are those of the domain notes (3 and 9.3): readings fall with the square of distance and optical offset, a
share X of the wall's reading astray moves the distance by -(d + d0) X / 2, and lit minus dark scatters by up to
2 sin(pi f tau) of what flickers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from hil.errors import UsageError
from hil.measure.model import Course, Robot
from hil.measure.wall_sensor import calibrate_from_jig, calibration_u_mm
from hil.simulator.faults import apply_faults, parse_faults
from hil.simulator.jig import jig_distances_mm, jig_readings
from hil.simulator.jig_board import before_board, open_bench
from hil.simulator.optics import plane_light
from hil.simulator.parameters import Truth, nominal_truth
from hil.simulator.plant import Plant
from hil.simulator.sight import crosstalk_counts
from hil.simulator.streams import Source, stream
from hil.simulator.surfaces import SURFACES, surface_of
from hil.simulator.world import World

Bench = Callable[..., Plant]


@pytest.fixture
def plant_of(corridor: Course) -> Bench:
    """A robot of that truth with the faults given."""

    def plant(truth: Truth, *faults: str) -> Plant:
        faulty = apply_faults(truth, parse_faults(faults))
        return Plant(faulty, World(corridor, faulty.noises, faulty.seed), faulty.seed)

    return plant


@pytest.fixture
def wide(exact: Truth) -> Truth:
    """Readings without saturation or rounding to speak of, so that laws show."""
    sensors = tuple(replace(sensor, gain=sensor.gain * 1000, dark_counts=0.05e9) for sensor in exact.sensors)
    return replace(exact, sensors=sensors, robot=replace(exact.robot, adc_full_scale=10**9))


def set_board(
    plant: Plant, channel: str, surface: str, distance_mm: float, angle_deg: float = 0.0, setting: int = 0
) -> None:
    chance = stream(plant.truth.seed, Source.JIG_BOARDS, setting)
    plant.sight.scene = before_board(plant.truth, channel, surface, distance_mm, math.radians(angle_deg), chance)


def light(plant: Plant, channel: str, surface: str, distance_mm: float, angle_deg: float = 0.0) -> float:
    """Lit minus dark before a board set exactly."""
    set_board(plant, channel, surface, distance_mm, angle_deg)
    lit, dark = plant.read_sensors()[channel]
    return lit - dark


@pytest.mark.parametrize("channel", ["wall.left", "wall.right", "wall.front"])
def test_a_white_board_reads_as_the_closed_form_of_the_beam(wide: Truth, plant_of: Bench, channel: str) -> None:
    plant = plant_of(wide)
    sensor = next(one for one in wide.sensors if one.channel == channel)
    for distance_mm in (30.0, 49.0, 134.0):
        assert light(plant, channel, "white", distance_mm) == pytest.approx(plane_light(sensor, distance_mm), abs=1)


def test_the_other_sensors_see_an_open_bench(wide: Truth, plant_of: Bench) -> None:
    plant = plant_of(replace(wide, stray=replace(wide.stray, neighbour=0.0)))
    set_board(plant, "wall.left", "white", 49)
    seen = plant.read_sensors()
    assert seen.pop("wall.left")[0] > 0
    nothing = {(50_000_000, 50_000_000)}
    assert set(seen.values()) == nothing
    plant.sight.scene = open_bench(plant.truth)
    assert set(plant.read_sensors().values()) == nothing
    set_board(plant, "wall.left", "white", 2000)  # farther than a sensor sees
    assert set(plant.read_sensors().values()) == nothing


def test_a_board_that_is_turned_costs_its_cosine_along_the_beam(wide: Truth, plant_of: Bench) -> None:
    plant = plant_of(wide)
    square = light(plant, "wall.left", "white", 49)
    for angle_deg in (-10.0, -5.0, 5.0, 10.0):
        turned = light(plant, "wall.left", "white", 49, angle_deg) / square
        # A narrow beam would lose the cosine; one of 12 deg sees one side nearer than the other besides.
        assert turned == pytest.approx(math.cos(math.radians(angle_deg)), rel=0.002)
    assert light(plant, "wall.left", "white", 49, 5) / square > 1 - 0.004  # domain notes 3.1: 5 deg under 0.4 %


@pytest.mark.parametrize("name", list(SURFACES))
def test_at_49_mm_a_surface_is_its_reflectance_and_nothing_else(wide: Truth, plant_of: Bench, name: str) -> None:
    plant = plant_of(wide)
    white, other = (light(plant, "wall.left", one, 49) for one in ("white", name))
    assert other / white == pytest.approx(SURFACES[name].reflectance, rel=0.003)


def test_a_surface_may_bend_the_curve_and_a_glossy_one_shines_squarely_only(wide: Truth, plant_of: Bench) -> None:
    plant = plant_of(wide)

    def share(name: str, distance_mm: float, angle_deg: float = 0.0) -> float:
        return light(plant, "wall.left", name, distance_mm, angle_deg) / light(
            plant, "wall.left", "white", distance_mm, angle_deg
        )

    assert share("matt-grey", 134) == pytest.approx(0.86, rel=1e-4)
    assert share("plastic-white", 134) > 1.03 * share("plastic-white", 39)
    # The lobe is a quarter high; over rays at 0, 2, 4 and 6 deg to both sides cos^200 is 0.67 on average.
    lobe = sum(math.cos(math.radians(angle)) ** 200 for angle in (-6, -4, -2, 0, 2, 4, 6)) / 7
    assert share("gloss-white", 49, 15) / share("gloss-white", 49) == pytest.approx(1 / (1 + lobe / 4), rel=0.01)
    assert share("gloss-white", 49, -15) == pytest.approx(share("gloss-white", 49, 15), rel=0.02)


def test_a_surface_of_any_name_is_drawn_from_the_seed_and_the_name() -> None:
    drawn = [surface_of(f"hall {number}", 1) for number in range(300)]
    shares = [surface.reflectance for surface in drawn]
    assert len(set(shares)) == 300
    assert 0.75 <= min(shares) < 0.76
    assert 0.99 < max(shares) <= 1.0
    assert surface_of("hall 7", 1) == drawn[7]
    assert surface_of("hall 7", 2) != drawn[7]
    assert surface_of("matt-white", 2) == surface_of("white", 1)


def test_blocks_are_a_fifth_of_a_millimetre_off_and_boards_half_a_degree(robot: Robot) -> None:
    truth = nominal_truth(robot, 1)
    chance = stream(1, Source.JIG_BOARDS)
    scenes = [before_board(truth, "wall.front", "white", 100.0, 0.0, chance) for _ in range(2000)]
    turned = np.array([math.degrees(scene.theta_rad) for scene in scenes])
    # The front sensor sits at x 45 on the axis and looks along it; the face is cut along the beam.
    away = np.array([(scene.boxes[0, 0, 0, 0] - 45 * math.cos(scene.theta_rad)) for scene in scenes])
    along = away / np.cos(np.radians(turned))
    assert along.mean() == pytest.approx(100, abs=0.02)
    assert along.std() == pytest.approx(0.2, rel=0.06)
    assert turned.std() == pytest.approx(0.5, rel=0.06)


@pytest.mark.parametrize("channel", ["wall.left", "wall.right", "wall.front"])
@pytest.mark.parametrize("seed", [3, 4, 5])
def test_boards_set_by_hand_give_the_calibration_of_the_jig_session(
    robot: Robot, plant_of: Bench, channel: str, seed: int
) -> None:
    truth = nominal_truth(robot, seed)
    plant = plant_of(truth)
    sensor = next(one for one in truth.sensors if one.channel == channel)
    rows: list[tuple[float, int, int]] = []
    for setting, distance_mm in enumerate(jig_distances_mm(sensor)):
        set_board(plant, channel, "white", distance_mm, setting=setting)
        block = [(distance_mm, *plant.read_sensors(Source.SENSORS_AT_REST)[channel]) for _ in range(50)]
        if max(lit for _, lit, _ in block) < 0.95 * 1023:
            rows += block
    by_hand = calibrate_from_jig(channel, "white", rows, 1023)
    session = calibrate_from_jig(channel, "white", jig_readings(truth, seed)[channel], 1023)
    low_mm, high_mm = by_hand.span_mm
    for distance_mm in np.linspace(low_mm, high_mm, 5):
        u_mm = math.hypot(*(calibration_u_mm(one, float(distance_mm)) for one in (by_hand, session)))
        reading = session.reading(float(distance_mm))
        assert by_hand.distance_mm(reading) == pytest.approx(distance_mm, abs=3 * u_mm)


def test_a_drift_of_the_gain_and_a_darker_paint_are_seen_at_the_jig(exact: Truth, plant_of: Bench) -> None:
    healthy = light(plant_of(exact), "wall.left", "white", 49)
    drifted = light(plant_of(exact, "sensor-gain-left=0.9"), "wall.left", "white", 49)
    assert drifted / healthy == pytest.approx(0.9, abs=0.003)
    darker = light(plant_of(exact, "surface-gain=0.75"), "wall.left", "white", 49)
    assert darker / healthy == pytest.approx(0.75, abs=0.003)


# Light that goes astray


def test_crosstalk_adds_its_share_of_the_wall_to_every_reading_and_moves_the_distance(
    wide: Truth, plant_of: Bench
) -> None:
    plain, astray = plant_of(wide), plant_of(wide, "crosstalk=5 %")
    wall = light(plain, "wall.left", "white", 49)
    seen = light(astray, "wall.left", "white", 49)
    assert seen / wall == pytest.approx(1.05, rel=1e-6)
    # dd = -(d + d0) X / (2 S): -1.2 mm at 49 mm without an offset (domain notes 3.8), -1.3 with one of 2 mm.
    apparent_mm = 51 * (wall / seen) ** 0.5 - 2
    assert apparent_mm - 49 == pytest.approx(-51 * 0.05 / 2, abs=0.05)
    astray.sight.scene = open_bench(astray.truth)
    lit, dark = astray.read_sensors()["wall.left"]
    assert (lit - dark) / wall == pytest.approx(0.05, rel=1e-4)


def test_crosstalk_is_not_in_the_jig_session_that_came_before_it_and_not_in_the_noise(
    exact: Truth, robot: Robot, plant_of: Bench
) -> None:
    assert jig_readings(apply_faults(exact, parse_faults(["crosstalk=5 %"])), 1) == jig_readings(exact, 1)
    truth = nominal_truth(robot, 3)
    scatter = []
    for faults in ((), ("crosstalk=5 %",)):
        plant = plant_of(truth, *faults)
        set_board(plant, "wall.left", "white", 49)
        scatter.append(np.std([plant.read_sensors()["wall.left"][0] for _ in range(2000)]))
    assert scatter[1] / scatter[0] == pytest.approx(1, abs=0.02)


def test_a_lone_emitter_is_read_by_its_own_detector_and_a_little_by_its_neighbours(
    wide: Truth, plant_of: Bench
) -> None:
    plant = plant_of(wide)
    walls = {sensor.channel: plane_light(sensor, 49) for sensor in wide.sensors}
    set_board(plant, "wall.left", "white", 49)
    plant.sight.fire("wall.left")
    seen = {channel: lit - dark for channel, (lit, dark) in plant.read_sensors().items()}
    assert seen["wall.left"] / walls["wall.left"] == pytest.approx(1, rel=1e-6)
    # The front sensor is nearest to both others: hypot(15, 35) against 70 mm between these.
    assert seen["wall.front"] / walls["wall.front"] == pytest.approx(0.005, rel=0.001)
    nearer = (15**2 + 35**2) / 70**2
    assert seen["wall.right"] / walls["wall.right"] == pytest.approx(0.005 * nearer, rel=0.01)
    plant.sight.fire("wall.front")  # the board stands before a sensor whose emitter is dark
    lit, dark = plant.read_sensors()["wall.left"]
    assert (lit - dark) / walls["wall.left"] == pytest.approx(0.005, rel=0.001)
    plant.sight.fire(None)
    lit, dark = plant.read_sensors()["wall.front"]
    assert lit == dark
    with pytest.raises(UsageError, match=r"no emitter of 'wall\.up'"):
        plant.sight.fire("wall.up")


def test_the_wall_that_crosstalk_is_a_share_of_stands_where_the_robot_file_says(exact: Truth) -> None:
    sensors = tuple(replace(sensor, wall_mm=90.0) for sensor in exact.robot.sensors)
    counts = crosstalk_counts(replace(exact, robot=replace(exact.robot, sensors=sensors)))
    assert counts[0, 2] / plane_light(exact.sensors[2], 90) == pytest.approx(0.005)
    assert np.array_equal(np.diag(counts), np.zeros(3))


# The room


def test_lamps_are_in_the_dark_level_and_leave_lit_minus_dark_alone(exact: Truth, plant_of: Bench) -> None:
    plant = plant_of(exact)
    set_board(plant, "wall.left", "white", 49)
    lit, dark = plant.read_sensors()["wall.left"]
    plant.sight.lamps_on = False
    lit_off, dark_off = plant.read_sensors()["wall.left"]
    assert dark - dark_off == pytest.approx(0.02 * 1023, abs=1)
    assert lit - dark == pytest.approx(lit_off - dark_off, abs=1)


def test_ambient_light_scatters_the_difference_by_its_flicker_only(wide: Truth, plant_of: Bench) -> None:
    plant = plant_of(wide, "ambient=20 %")
    set_board(plant, "wall.left", "white", 49)
    rows = np.array([plant.read_sensors()["wall.left"] for _ in range(4000)], dtype=np.float64)
    full_scale = 10**9
    wall = plane_light(wide.sensors[0], 49)
    assert rows[:, 1].mean() / full_scale == pytest.approx(0.05 + 0.2, abs=0.003)
    spread = rows[:, 0] - rows[:, 1] - wall
    # 2 sin(pi f tau) A_ac: 6.3 % of what flickers at 100 Hz and 100 us (domain notes 3.3).
    most = 2 * math.sin(math.pi * 100 * 100e-6) * 0.1 * 0.2 * full_scale
    assert most / (0.1 * 0.2 * full_scale) == pytest.approx(0.063, abs=0.0005)
    assert np.abs(spread).max() == pytest.approx(most, rel=0.001)
    assert spread.std() == pytest.approx(most / math.sqrt(2), rel=0.03)
    assert spread.mean() == pytest.approx(0, abs=4 * most / math.sqrt(2 * 4000))
    plant.sight.lamps_on = False
    lit, dark = plant.read_sensors()["wall.left"]
    assert lit - dark == pytest.approx(wall, rel=1e-6)


def test_ambient_light_beyond_the_full_scale_swallows_the_reading(exact: Truth, plant_of: Bench) -> None:
    strong = plant_of(exact, "ambient=60 %")  # beyond full scale less the wall's reading
    set_board(strong, "wall.left", "white", 49)
    rows = np.array([strong.read_sensors()["wall.left"] for _ in range(200)])
    assert rows[:, 0].max() == 1023
    wall = plane_light(exact.sensors[0], 49)
    assert (rows[:, 0] - rows[:, 1]).mean() < 0.8 * wall


# Wires


def test_swapped_sensors_answer_for_each_other_in_the_course_and_at_the_jig(
    exact: Truth, corridor: Course, plant_of: Bench
) -> None:
    plain, swapped = plant_of(exact), plant_of(exact, "swapped-sensors=on")
    for plant in (plain, swapped):
        plant.place(-15, 90, math.pi / 2)
    expected, seen = plain.read_sensors(), swapped.read_sensors()
    assert seen["wall.left"] == expected["wall.right"]
    assert seen["wall.right"] == expected["wall.left"]
    assert seen["wall.front"] == expected["wall.front"]
    set_board(swapped, "wall.left", "white", 49)  # before the left sensor as it sits on the robot
    seen = swapped.read_sensors()
    assert seen["wall.right"][0] > 500
    assert seen["wall.left"][0] < 60
    swapped.sight.fire("wall.right")  # who asks for the right emitter gets what is plugged in there
    assert swapped.read_sensors()["wall.right"][0] > 500
    assert plant_of(exact, "swapped-sensors=off").read_sensors().keys() == expected.keys()


def test_sensors_without_a_partner_cannot_be_swapped(exact: Truth, plant_of: Bench) -> None:
    lone = replace(exact, sensors=exact.sensors[:1])
    with pytest.raises(UsageError, match=r"has no sensor wall\.right"):
        plant_of(lone, "swapped-sensors=on")


@pytest.mark.parametrize(
    ("distance_mm", "angle_deg", "part"),
    [
        (4.0, 0.0, "cannot be set at 4 mm"),
        (math.nan, 0.0, "cannot be set"),
        (49.0, 70.0, "turned by 70 deg"),
    ],
)
def test_what_cannot_be_set_up_is_refused(exact: Truth, distance_mm: float, angle_deg: float, part: str) -> None:
    with pytest.raises(UsageError, match=part):
        before_board(exact, "wall.left", "white", distance_mm, math.radians(angle_deg), stream(1, Source.JIG_BOARDS))
