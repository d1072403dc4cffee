"""A resistor across the virtual battery: the voltage divider, its slow part, and nothing at all without one."""

import pytest

from hil.simulator.parameters import quiet
from hil.simulator.plant import Plant
from hil.simulator.world import World


@pytest.fixture
def plant(exact, corridor):
    truth = quiet(exact)
    return Plant(truth, World(corridor, truth.noises, 1), 1)


def rest_for(plant, seconds):
    for _ in range(round(seconds * 1000)):
        plant.rest()


def test_the_voltage_falls_as_a_divider_says_and_the_current_is_the_resistors(plant):
    battery = plant.truth.battery
    plant.clip_resistor(10.0)
    loaded = battery.open_circuit_v * 10.0 / (10.0 + battery.resistance_ohm)  # voltage divider, textbook
    assert plant.battery_v == pytest.approx(loaded, rel=1e-3)
    assert plant.current_a == pytest.approx(loaded / 10.0, rel=1e-3)


def test_polarisation_builds_up_over_its_time_and_goes_back(plant):
    battery = plant.truth.battery
    plant.clip_resistor(10.0)
    first = plant.battery_v
    rest_for(plant, 10 * battery.slow_time_s)
    ohm = 10.0 + battery.resistance_ohm + battery.slow_resistance_ohm
    drawn = plant.current_a * 10 * battery.slow_time_s * battery.volts_per_coulomb
    assert plant.battery_v == pytest.approx((battery.open_circuit_v - drawn) * 10.0 / ohm, rel=1e-3)
    assert plant.battery_v < first
    plant.clip_resistor(None)
    rest_for(plant, 10 * battery.slow_time_s)
    assert plant.battery_v == pytest.approx(battery.open_circuit_v - drawn, rel=1e-3)
    assert plant.current_a == 0.0


def test_a_battery_with_nothing_across_it_rests_to_the_last_bit(plant):
    before = plant.battery_v
    rest_for(plant, 5.0)
    assert plant.battery_v == before


def test_a_resistor_sags_the_battery_of_turning_wheels_too(plant):
    plant.put_on_stand()
    for _ in range(2000):
        plant.tick(0.3, 0.3)
    free = plant.battery_v
    plant.clip_resistor(10.0)
    for _ in range(10):
        plant.tick(0.3, 0.3)
    battery = plant.truth.battery
    assert plant.battery_v == pytest.approx(free * 10.0 / (10.0 + battery.resistance_ohm), rel=2e-3)
