"""The rail that a regulator's resistors set, against data sheets of adjustable regulators; what a battery leaves."""

import pytest

from hil.measure.model import Regulator
from hil.measure.regulator import best_rail_v, rail_v, set_bounds_v, set_voltage_v


@pytest.mark.parametrize(
    ("r2_ohm", "rail"),
    # 1.25 V (1 + R2/240 ohm) + 50 uA R2: the formula and the constants of the data sheets.
    [(1200.0, 7.56), (1000.0, 6.51), (910.0, 6.04)],
)
def test_the_rail_is_that_of_the_data_sheets_formula(r2_ohm, rail):
    assert set_voltage_v(Regulator(r1_ohm=240, r2_ohm=r2_ohm)) == pytest.approx(rail, abs=0.005)


def test_tolerances_of_parts_are_taken_at_their_worst_ends():
    low, high = set_bounds_v(Regulator(r1_ohm=240, r2_ohm=1200))
    # 1 % resistors and 1 % reference, worked by hand: R2/R1 from 4.9010 to 5.1010.
    assert low == pytest.approx(1.2375 * 5.90099 + 50e-6 * 1188, abs=1e-4)
    assert high == pytest.approx(1.2625 * 6.10101 + 50e-6 * 1212, abs=1e-4)
    assert high == pytest.approx(7.76, abs=0.005)
    low, high = set_bounds_v(Regulator(r1_ohm=240, r2_ohm=1200, resistor_share=0.05, reference_share=0.04))
    assert low == pytest.approx(6.7, abs=0.05)
    assert high == pytest.approx(8.5, abs=0.06)


@pytest.mark.parametrize(("current_a", "rail"), [(0.1, 7.3), (0.3, 7.0), (0.5, 6.65)])
def test_a_nine_volt_block_behind_two_volts_of_dropout_leaves_seven_and_a_half_at_best(current_a, rail):
    # "About 7.5 V at best" is common practice, no source; 9.5 V and 1.7 ohm are a block's published values.
    regulator = Regulator(r1_ohm=240, r2_ohm=1200)
    assert best_rail_v(regulator, 9.5, 1.7, current_a) == pytest.approx(rail, abs=0.05)
    assert best_rail_v(regulator, 9.5, 1.7, 0.0) == 7.5


def test_a_battery_that_is_too_low_drags_the_rail_down():
    regulator = Regulator(r1_ohm=240, r2_ohm=910)
    assert rail_v(regulator, 9.0) == pytest.approx(set_voltage_v(regulator))
    assert rail_v(regulator, 7.5) == 5.5
