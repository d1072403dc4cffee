"""Supply methods on voltages and currents typed here, by the robot's converter and by a person's meter."""

from dataclasses import replace

import numpy as np
import pytest

from hil.measure.chemistry import CHEMISTRIES, cautions_of_battery, chemistry_of
from hil.measure.evidence import Answer, Drive, Evidence, Samples
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Heading, Regulator, Supply
from hil.measure.values import CannotMeasureError

START = CellPose(x=0, y=0, heading=Heading.NORTH)
REGULATED = Supply(
    chemistry="9 V block", cells=1, lowest_v=6.5, regulator=Regulator(r1_ohm=240, r2_ohm=910, dropout_v=2.0)
)


def segment(name, **channels):
    size = max(np.size(row) for row in channels.values())
    time = 5.0 + 0.02 * np.arange(size)
    values = {
        key.replace("_", "."): np.broadcast_to(np.asarray(row, dtype=float), size) for key, row in channels.items()
    }
    return Drive(
        name=name, case="c", repeat=0, path=(), front="counts", speed_mm_s=0.0, start=START, events=(),
        samples={"health": Samples(host_s=time, values={"time": time, **values})},
    )  # fmt: skip


def noisy(level, sd=0.005, n=200, seed=1):
    return level + np.random.default_rng(seed).normal(0, sd, n)


def meter(name, value, u, unit="V"):
    return Answer(name=name, value=value, unit=unit, u=u, case="c", repeat=0, index=0, source="operator")


@pytest.fixture
def measure(corridor, drawing):
    robot = drawing(course=corridor).robot

    def run(name, *drives, answers=(), supply=REGULATED, numbers=None, **words):
        evidence = Evidence(robot=replace(robot, supply=supply), course=corridor, drives=drives, answers=tuple(answers))
        words = {key.rstrip("_"): word for key, word in words.items()}
        return METHODS[f"supply.{name}"].run(evidence, Parameters(numbers=numbers or {}, words=words))

    return run


def test_a_voltage_keeps_the_converters_common_error_however_many_samples_there_are(measure):
    found = measure("voltage", segment("rest", supply_battery=noisy(7.4)), in_="rest")
    assert found.value == pytest.approx(7.4, abs=0.002)
    assert found.u == pytest.approx(0.01 * 7.4 / 3**0.5, rel=0.01)  # 1 % as a bound, evenly distributed


def test_a_meter_states_its_own_error_and_reading_it_twice_does_not_lessen_it(measure):
    answers = [meter("rail", 6.05, 0.03), meter("rail", 6.05, 0.03)]
    found = measure("voltage_read", answers=answers, in_="rail", at="supply.motor")
    assert (found.value, found.source) == (6.05, "operator")
    assert found.u == pytest.approx(0.03, rel=0.01)  # and 10 mV / sqrt(12) of its last digit


def test_the_rail_is_held_against_what_the_resistors_set(measure):
    drives = segment("rest", supply_motor=noisy(6.1), supply_battery=noisy(7.8))
    found = measure("rail", drives, in_="rest", battery="rest")
    assert found.value == pytest.approx(100 * (6.1 / 6.0351 - 1), abs=0.1)  # 1.25 (1 + 910/240) + 50 uA 910
    assert "6.04 V" in found.notes[0]
    assert "leaves 5.80 V" in found.notes[2]
    with pytest.raises(CannotMeasureError, match="neither"):
        measure("rail", drives, in_="rest", supply=replace(REGULATED, regulator=None))


def test_headroom_is_taken_at_the_lowest_voltage_under_load_and_noise_does_not_sink_it(measure):
    volts = np.concatenate([noisy(8.5), noisy(8.2, seed=2), noisy(8.5, seed=3)])
    found = measure("headroom", segment("run", supply_battery=volts), load="run")
    assert found.value == pytest.approx(8.2 - 6.035, abs=0.015)
    assert found.unit == "V"


def test_sag_is_free_of_the_converters_common_error(measure):
    rest, cruise = segment("rest", supply_battery=noisy(8.0)), segment("run", supply_battery=noisy(7.6, seed=2))
    found = measure("sag", rest, cruise, rest="rest", load="run")
    assert found.value == pytest.approx(5.0, abs=0.03)
    assert found.u < 0.02
    mixed = measure("sag", cruise, answers=[meter("by hand", 8.0, 0.03)], rest="by hand", load="run")
    assert mixed.u > 0.5  # two instruments do not share their errors


def test_peak_sag_is_that_of_the_deepest_three_samples(measure):
    volts = np.full(200, 8.0)
    volts[100:105] = 7.2
    rest = segment("rest", supply_battery=noisy(8.0))
    found = measure("sag", rest, segment("run", supply_battery=volts), rest="rest", load="run", taken="lowest")
    assert found.value == pytest.approx(10.0, abs=0.1)


def test_resistance_from_two_loads_has_the_uncertainty_of_the_textbook(measure):
    # sqrt(2) sigma_V / dI: 10 mV and 0.5 A are 28 mohm (textbook).
    rest = segment("light", supply_battery=noisy(7.9, 0.01, 50), supply_current=0.1)
    load = segment("heavy", supply_battery=noisy(7.825, 0.01, 50, 2), supply_current=0.6)
    found = measure(
        "resistance", rest, load, rest="light", load="heavy", numbers={"within": 0.0, "current_within": 0.0}
    )
    assert found.value == pytest.approx(0.15, abs=3 * found.u)
    assert found.u == pytest.approx(2**0.5 * 0.01 / 0.5 / 50**0.5, rel=0.5)


def test_the_slow_part_is_what_comes_after_the_first_second(measure):
    at = 0.02 * np.arange(500)
    volts = 7.9 - 0.5 * (0.15 + 0.05 * (1 - np.exp(-at / 2)))
    rest = segment("light", supply_battery=np.full(100, 7.9), supply_current=0.0)
    load = segment("heavy", supply_battery=volts, supply_current=0.5)
    fast = measure("resistance", rest, load, rest="light", load="heavy")
    slow = measure("resistance", rest, load, rest="light", load="heavy", part="slow")
    assert fast.value == pytest.approx(
        0.15 + 0.05 * (1 - 2 * (1 - np.exp(-0.5))), abs=0.001
    )  # mean of the first second
    assert fast.value + slow.value == pytest.approx(0.2, abs=0.002)


def test_two_loads_that_are_the_same_are_refused(measure):
    one = segment("a", supply_battery=noisy(7.9), supply_current=noisy(0.1, 0.01))
    two = segment("b", supply_battery=noisy(7.9), supply_current=noisy(0.1, 0.01, seed=2))
    with pytest.raises(CannotMeasureError, match="load it more"):
        measure("resistance", one, two, rest="a", load="b")


def test_a_known_resistor_gives_the_resistance_without_an_ammeter(measure):
    # R_i = R (V_oc - V)/V, textbook: 10 ohm, 8.0 V open, 7.8 V loaded.
    answers = [meter("open", 8.0, 0.005), meter("loaded", 7.8, 0.005)]
    numbers = {"rest_ohm": 1e9, "load_ohm": 10.0}
    found = measure("resistance_read", answers=answers, rest="open", load="loaded", numbers=numbers)
    assert found.value == pytest.approx(10 * 0.2 / 7.8, rel=1e-3)


def test_a_resistor_that_was_clipped_on_in_a_segment_is_known_by_it(measure):
    # 7.8 V open, 0.15 ohm: over 10 ohm it is 7.8 * 10 / 10.15 (voltage divider).
    rest = segment("open", supply_battery=noisy(7.8), supply_current=noisy(0.02, 0.002))
    load = replace(segment("loaded", supply_battery=noisy(7.8 * 10 / 10.15, seed=2)), conditions={"resistor_ohm": 10.0})
    found = measure("resistance", rest, load, rest="open", load="loaded")
    assert abs(found.value - 0.15) < 3 * found.u
    ratio = measure(
        "resistance_ratio",
        rest,
        load,
        rest="open",
        load="loaded",
        supply=Supply(chemistry="LiPo", cells=2, lowest_v=6.8),
    )
    assert ratio.value == pytest.approx(found.value / 0.15)
    mixed = replace(load, conditions={"resistor_ohm": 4.7})
    with pytest.raises(CannotMeasureError, match="different resistors"):
        measure("resistance", rest, load, mixed, rest="open", load="loaded")


def test_a_converter_that_always_shows_the_same_is_still_no_better_than_its_step(measure):
    rest, run = segment("rest", supply_battery=np.full(50, 7.8)), segment("run", supply_battery=np.full(50, 7.8))
    found = measure("sag", rest, run, rest="rest", load="run")
    # 7.8 V of a 10 bit converter: a step of 7.6 mV at least, over sqrt(12), twice.
    assert found.u == pytest.approx(100 * 2**0.5 / 1023 / 12**0.5, rel=0.05)


def test_two_readings_of_one_meter_differ_by_its_last_digit_at_least(measure):
    answers = [meter("rest", 7.82, 0.03), meter("run", 7.82, 0.03)]
    found = measure("sag_read", answers=answers, rest="rest", load="run")
    assert found.value == 0
    assert found.u == pytest.approx(100 * 2**0.5 * 0.01 / 12**0.5 / 7.82, rel=0.01)


def test_duties_are_those_of_the_busier_wheel_and_of_their_difference(measure):
    drive = segment("run", duty_left=noisy(0.30, 0.01), duty_right=noisy(-0.33, 0.01))
    assert measure("duty", drive, in_="run").value == pytest.approx(33, abs=0.3)
    assert measure("duty_difference", drive, in_="run").value == pytest.approx(-100 * 0.03 / 0.315, abs=1)
    with pytest.raises(CannotMeasureError, match="zero"):
        measure("duty", segment("still", duty_left=np.zeros(9), duty_right=np.zeros(9)), in_="still")


def test_cells_are_counted(measure):
    supply = Supply(chemistry="LiPo", cells=2, lowest_v=6.8)
    assert measure("cell", segment("rest", supply_battery=7.4), in_="rest", supply=supply).value == pytest.approx(3.7)


def test_a_cell_is_held_against_the_limits_of_its_chemistry(measure):
    supply = Supply(chemistry="LiPo", cells=2, lowest_v=6.8)
    rest = segment("rest", supply_battery=7.4)
    assert measure("cell_margin", rest, in_="rest", supply=supply).value == pytest.approx(0.3)
    assert measure("cell_margin", rest, in_="rest", supply=supply, limit="full").value == pytest.approx(0.5)
    with pytest.raises(CannotMeasureError, match="known are"):
        measure("cell_margin", rest, in_="rest", supply=replace(supply, chemistry="odd"))


def test_chemistry_limits_are_the_published_ones_and_come_with_cautions():
    # University guidance on lithium packs: 3.0 to 4.2 V a cell; maker's sheet of NiMH cells: 1.0 V reference.
    lipo = CHEMISTRIES["lipo"]
    assert (lipo.empty_v, lipo.full_v) == (3.0, 4.2)
    assert CHEMISTRIES["nimh"].stop_v == 1.0
    assert chemistry_of(Supply(chemistry="Li-Ion ", cells=1, lowest_v=3.2)) is CHEMISTRIES["li-ion"]
    assert "charger" in " ".join(cautions_of_battery(Supply(chemistry="LiPo", cells=2, lowest_v=6.8)))
    assert "maker" in cautions_of_battery(Supply(chemistry="odd", cells=2, lowest_v=6.8))[0]


def _covered(found, truth):
    return np.mean([abs(one.value - truth) < 1.96 * one.u for one in found])


def test_voltages_of_two_instruments_keep_both_errors_in_a_resistance(measure):
    # By V = Voc R / (R + Ri), with a converter within 1 % and a meter of 30 mV: 0.15 ohm out of 8 V and 10 ohm.
    draw, found = np.random.default_rng(5), []
    for seed in range(100):
        load = 8 * 10 / 10.15 * (1 + draw.uniform(-0.01, 0.01))
        read = meter("idle", 8 + draw.normal(0, 0.03), 0.03)
        drive = segment("loaded", supply_battery=noisy(load, 0.01, seed=seed))
        found.append(
            measure("resistance", drive, answers=[read], rest="idle", load="loaded", numbers={"load_ohm": 10.0})
        )
    assert 0.9 <= _covered(found, 0.15) <= 1.0
    assert np.std([one.value for one in found]) == pytest.approx(np.mean([one.u for one in found]), rel=0.25)


def test_a_converters_common_error_cancels_against_a_known_resistor(measure):
    # R (V1/V2 - 1) with noise only: u = (R + Ri) / V2 sqrt((V2/V1 dV1)^2 + dV2^2) with V1/V2 = 1.17, textbook.
    rest = segment("idle", supply_battery=noisy(9.0, 0.01, 100))
    load = segment("loaded", supply_battery=noisy(9.0 * 10 / 11.7, 0.01, 100, 2))
    numbers = {"load_ohm": 10.0, "current_within": 0.0, "within": 5.0}
    found = measure("resistance", rest, load, rest="idle", load="loaded", numbers=numbers)
    assert found.value == pytest.approx(1.7, abs=3 * found.u)
    # The last half second and the first one: 26 rows and 51.
    assert found.u == pytest.approx(10 / 7.692 * 0.01 * np.hypot(1 / 26**0.5, 1.17 / 51**0.5), rel=0.35)


def test_the_lowest_of_many_rows_covers_a_level_that_is_level(measure):
    found = []
    for seed in range(60):
        rest = segment("rest", supply_battery=noisy(8.0, 0.02, seed=seed))
        run = segment("run", supply_battery=noisy(7.6, 0.02, 400, seed + 500))
        found.append(measure("sag", rest, run, rest="rest", load="run", taken="lowest"))
    assert _covered(found, 5.0) >= 0.9


def test_what_the_battery_leaves_is_told_of_the_same_segment_without_being_asked(measure):
    drives = segment("rest", supply_motor=noisy(5.8), supply_battery=noisy(7.8))
    assert "leaves 5.80 V behind a dropout of 2 V" in measure("rail", drives, in_="rest").notes[-1]


def test_a_voltage_that_rises_under_a_load_was_taken_for_another(measure):
    rest, load = segment("rest", supply_battery=noisy(8.0)), segment("run", supply_battery=noisy(8.4, seed=2))
    with pytest.raises(CannotMeasureError, match="were the two taken for each other"):
        measure("sag", rest, load, rest="rest", load="run")
    with pytest.raises(CannotMeasureError, match="were the two taken for each other"):
        measure("resistance", rest, load, rest="rest", load="run", numbers={"load_ohm": 10.0})
    same = segment("run", supply_battery=noisy(8.0, seed=2))
    assert measure("sag", rest, same, rest="rest", load="run").value == pytest.approx(0, abs=0.05)
