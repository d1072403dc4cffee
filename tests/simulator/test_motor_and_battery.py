"""Motors, battery and grip, against the closed forms of a quasi-static motor and a cell behind a resistance."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from hil.measure.model import Course, Regulator, Supply
from hil.measure.regulator import best_rail_v, set_bounds_v
from hil.simulator.faults import apply_faults, parse_faults
from hil.simulator.parameters import Truth
from hil.simulator.plant import Plant
from hil.simulator.power import Battery, RailTruth, battery_of, rail_of
from hil.simulator.world import World

Stand = Callable[..., Plant]
STIFF_SUPPLY = Battery(open_circuit_v=7.4, resistance_ohm=0.0, slow_resistance_ohm=0.0, volts_per_coulomb=0.0)
REGULATOR = Regulator(r1_ohm=240, r2_ohm=1200)


@pytest.fixture
def frictionless(exact: Truth) -> Truth:
    return replace(
        exact,
        battery=STIFF_SUPPLY,
        drive=replace(exact.drive, dry_friction_n_m=0.0),
        chassis=replace(exact.chassis, caster_friction=0.0, wheel_diameter_left_mm=28, wheel_diameter_right_mm=28),
    )


def pressed_against_the_wall(truth: Truth, corridor: Course, ticks: int = 3000) -> Plant:
    """Full duty into the closed end until all is still, with tyres that hold and creep less than they would."""
    drive = replace(truth.drive, grip=20.0, tyre_stiffness_n_s_m=100.0, dry_friction_n_m=0.0)
    gripping = replace(truth, drive=drive)
    plant = Plant(gripping, World(corridor, truth.noises, 1), 1)
    plant.place(0, 5 * 180 + 33.9, math.pi / 2)
    for _ in range(ticks):
        plant.tick(1.0, 1.0)
    assert abs(plant.speed_mm_s) < 0.5
    return plant


def test_top_speed_is_that_of_the_motor_without_load(frictionless: Truth, in_field: Stand) -> None:
    plant = in_field(frictionless)
    for _ in range(1200):
        plant.tick(1.0, 1.0)
    # v_max = U r / (k n) with U 7.4 V, r 14 mm, k 3.5 mNm/A, n 10.
    assert plant.speed_mm_s == pytest.approx(2960, rel=0.001)


def test_speed_rises_with_the_time_constant_of_the_loaded_motor(frictionless: Truth, in_field: Stand) -> None:
    plant = in_field(replace(frictionless, drive=replace(frictionless.drive, wheel_inertia_kg_m2=0.0)))
    ticks = 0
    while plant.speed_mm_s < 296 * (1 - math.exp(-1)):
        plant.tick(0.1, 0.1)
        ticks += 1
    # tau_v = R m_eff r^2 / (2 n^2 k^2), m_eff = m + 2 (J_w + n^2 J_m) / r^2; here J_w = 0.
    # The tyres lag by m / (2 C) = 3 ms on top of it.
    m_eff = 0.15 + 2 * 5e-6 / 0.014**2
    tau_ms = 5 * m_eff * 0.014**2 / (2 * 10**2 * 3.5e-3**2) * 1000
    assert tau_ms == pytest.approx(80.4, rel=0.001)
    assert ticks == pytest.approx(tau_ms + 3, rel=0.02)


def test_a_robot_pressed_against_a_wall_draws_the_stall_current(exact: Truth, corridor: Course) -> None:
    plant = pressed_against_the_wall(replace(exact, battery=STIFF_SUPPLY), corridor)
    assert plant.current_a == pytest.approx(2 * 7.4 / 5, rel=0.015)  # U / R each, creep takes 1.2 %


@pytest.mark.parametrize("resistance", ["0.15 ohm", "2 ohm"])
def test_the_battery_sags_by_current_times_resistance(exact: Truth, corridor: Course, resistance: str) -> None:
    battery = replace(exact.battery, slow_resistance_ohm=0.0, volts_per_coulomb=0.0)
    truth = apply_faults(replace(exact, battery=battery), parse_faults([f"battery-resistance={resistance}"]))
    ohm = truth.battery.resistance_ohm
    plant = pressed_against_the_wall(truth, corridor)
    assert plant.battery_v == pytest.approx(7.8 / (1 + 2 * ohm / 5), rel=0.01)
    assert 7.8 - plant.battery_v == pytest.approx(plant.current_a * ohm, rel=0.002)


def test_the_slow_part_of_the_sag_comes_with_its_time_constant_and_stays_at_rest(
    exact: Truth, corridor: Course
) -> None:
    battery = Battery(resistance_ohm=0.0, slow_resistance_ohm=0.05, slow_time_s=2.0, volts_per_coulomb=0.0)
    plant = pressed_against_the_wall(replace(exact, battery=battery), corridor, ticks=2000)
    amps = 2 * 7.8 / 5 / (1 + 2 * 0.05 / 5)
    assert 7.8 - plant.battery_v == pytest.approx(amps * 0.05 * (1 - math.exp(-2 / 2.0)), rel=0.02)


def test_charge_taken_out_lowers_the_rest_voltage(exact: Truth, corridor: Course) -> None:
    battery = Battery(resistance_ohm=0.0, slow_resistance_ohm=0.0, volts_per_coulomb=0.1)
    plant = pressed_against_the_wall(replace(exact, battery=battery), corridor, ticks=1000)
    plant.place(0, 0, math.pi / 2)
    assert plant.battery_v == pytest.approx(7.8 * math.exp(-2 / 5 * 0.1), rel=0.002)  # I = 2 V / R for a second


def circle_radius_mm(truth: Truth, in_field: Stand, speed_m_s: float) -> float:
    """The radius driven after the wheels were brought, slowly, to the rates of a left circle of 90 mm at that speed."""
    plant = in_field(truth)
    no_load = truth.battery.open_circuit_v / (truth.drive.gear * truth.drive.motor_constant_v_s)
    points = []
    for tick in range(2500):
        duties = []
        for share, rate in zip((1 - 35 / 90, 1 + 35 / 90), plant.wheel_rates_rad_s, strict=True):
            wanted = speed_m_s / 0.014 * share * min(1.0, tick / 1500)
            duties.append(wanted / no_load + 0.2 * (wanted - rate))
        plant.tick(*duties)
        points.append((plant.x_mm, plant.y_mm))
    (x0, y0), (x1, y1), (x2, y2) = points[-61], points[-31], points[-1]
    a, b, c = math.dist((x0, y0), (x1, y1)), math.dist((x1, y1), (x2, y2)), math.dist((x0, y0), (x2, y2))
    area = abs((x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)) / 2
    return a * b * c / (4 * area)


@pytest.mark.parametrize("grip", [1.0, 0.3])
def test_the_robot_skids_where_grip_ends(frictionless: Truth, in_field: Stand, grip: float) -> None:
    on_tyres = replace(frictionless, chassis=replace(frictionless.chassis, caster_share=0.0))
    truth = apply_faults(on_tyres, parse_faults([f"grip={grip}"]))
    limit = math.sqrt(grip * 9.81 * 0.09)  # v = sqrt(mu g r): 0.94 m/s on dry tyres (published)
    assert circle_radius_mm(truth, in_field, 0.8 * limit) == pytest.approx(90, rel=0.06)
    lost = circle_radius_mm(truth, in_field, 1.2 * limit)  # it slides outwards or spins
    assert not 60 < lost < 120


def stalled_on_a_regulator(exact: Truth, corridor: Course, battery: Battery, set_v: float) -> Plant:
    truth = replace(exact, battery=battery, rail=RailTruth(set_v=set_v, dropout_v=2.0))
    return pressed_against_the_wall(truth, corridor)


def test_a_regulated_rail_stays_where_it_is_set_while_the_battery_sags(exact: Truth, corridor: Course) -> None:
    battery = Battery(open_circuit_v=9.5, resistance_ohm=0.3, slow_resistance_ohm=0.0, volts_per_coulomb=0.0)
    plant = stalled_on_a_regulator(exact, corridor, battery, 6.0)
    assert plant.rail_v == 6.0
    assert plant.current_a == pytest.approx(2 * 6.0 / 5, rel=0.015)  # U / R each, creep takes 1.2 %
    assert plant.battery_v == pytest.approx(9.5 - 0.3 * plant.current_a, rel=1e-9)  # what goes in comes out
    plant.place(0, 0, math.pi / 2)
    assert (plant.rail_v, plant.battery_v) == (6.0, 9.5)


def test_a_block_that_is_pulled_down_too_far_leaves_the_rail_its_dropout_below(exact: Truth, corridor: Course) -> None:
    # The figures of domain notes 5.1: a 9 V block of 9.5 V and 1.7 ohm behind 2 V of dropout.
    battery = Battery(open_circuit_v=9.5, resistance_ohm=1.7, slow_resistance_ohm=0.0, volts_per_coulomb=0.0)
    plant = stalled_on_a_regulator(exact, corridor, battery, 7.5)
    assert plant.rail_v == pytest.approx(best_rail_v(REGULATOR, 9.5, 1.7, plant.current_a), rel=1e-9)
    assert plant.rail_v == pytest.approx((9.5 - 2.0) / (1 + 1.7 * 2 / 5), rel=0.01)
    assert plant.battery_v - plant.rail_v == pytest.approx(2.0, rel=1e-9)


def test_a_regulator_gives_nothing_back_to_the_battery(exact: Truth, in_field: Stand) -> None:
    battery = Battery(open_circuit_v=9.5, resistance_ohm=1.0, slow_resistance_ohm=0.0, volts_per_coulomb=0.0)
    plant = in_field(replace(exact, battery=battery, rail=RailTruth(set_v=6.0, dropout_v=2.0)))
    for _ in range(500):
        plant.tick(0.8, 0.8)
    plant.tick(0.1, 0.1)  # far less than the motors generate
    assert (plant.current_a, plant.battery_v, plant.rail_v) == (0.0, 9.5, 6.0)


def test_a_rail_of_marked_parts_is_what_its_resistors_say_and_drawn_ones_keep_within_their_tolerance() -> None:
    # 240 and 1200 ohm, 50 uA: 7.56 V (domain notes 5.1); with parts of 1 %: 7.38 to 7.76 V.
    supply = Supply(chemistry="9 V block", cells=1, lowest_v=7.0, regulator=REGULATOR)
    marked = rail_of(supply, None)
    assert marked is not None
    assert marked.set_v == pytest.approx(7.56, abs=0.005)
    drawn = [rail.set_v for rail in (rail_of(supply, seed) for seed in range(200)) if rail]
    lowest, highest = set_bounds_v(REGULATOR)
    assert lowest == pytest.approx(7.38, abs=0.02)
    assert highest == pytest.approx(7.76, abs=0.02)
    assert lowest <= min(drawn) < 7.46
    assert 7.66 < max(drawn) <= highest


def test_a_robot_runs_on_the_battery_that_its_file_names() -> None:
    def battery(chemistry: str, cells: int) -> Battery:
        return battery_of(Supply(chemistry=chemistry, cells=cells, lowest_v=1.0))

    assert battery("LiPo", 2) == battery_of(None) == Battery()
    assert battery("LiPo", 1).open_circuit_v == pytest.approx(3.9)
    block = battery("9 V block", 1)
    assert (block.open_circuit_v, block.resistance_ohm) == (9.5, 1.7)
    assert battery("NiMH", 6).open_circuit_v / 6 == pytest.approx(1.28)
    assert 1.25 <= battery("NiMH", 6).open_circuit_v / 6 <= 1.4  # open, published
