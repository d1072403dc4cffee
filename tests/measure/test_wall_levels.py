"""Levels of wall sensors on a bench that is drawn: noise, dark, saturation, lamps, crosstalk, and who answers."""

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.measure.evidence import Samples
from hil.measure.methods import METHODS, Parameters
from hil.measure.values import CannotMeasureError
from hil.measure.wall_blocks import Block

from .drawn_jig import SENSORS, Bench


def measured(method, evidence, **words):
    numbers = {name: value for name, value in words.items() if isinstance(value, float)}
    of = words.pop("of", ())
    return METHODS[method].run(
        evidence, Parameters(of=of, numbers=numbers, words={k: v for k, v in words.items() if isinstance(v, str)})
    )


def test_noise_is_a_share_of_the_reading_and_says_how_well_it_is_known():
    bench = Bench(share_sd=0.02, count_sd=0.5, each=400)
    found = measured("walls.noise", bench.evidence(bench.jig(("wall.left",), ("white",))))
    assert found.is_spread
    assert found.value == pytest.approx(2.0, abs=3 * found.u)
    assert found.u == pytest.approx(2.0 / math.sqrt(800), rel=0.2)


def test_noise_is_read_at_the_set_distance_and_nowhere_far_from_it():
    bench = Bench()
    far = bench.evidence([bench.board("wall.left", "white", 120.0)])
    with pytest.raises(CannotMeasureError, match="no board was read near a sensor's set distance"):
        measured("walls.noise", far)
    near = measured("walls.noise", bench.evidence(bench.jig(("wall.left",), ("white",))))
    assert "Read at 49 mm on white." in near.notes


def test_noise_is_pooled_over_surfaces_since_it_is_the_sensors_own():
    bench = Bench(share_sd=0.02, each=60)
    one, three = (measured("walls.noise", bench.evidence(bench.jig(("wall.left",), of))) for of in (("white",), None))
    assert three.value == pytest.approx(2.0, abs=3 * three.u)
    assert three.dof > 2 * one.dof


def test_the_dark_level_is_a_share_of_full_scale_with_lamps_and_without():
    bench = Bench(dark=50.0, room=200.0)
    drives = [bench.board("wall.left", "white", 49.0, lamps=lamps) for lamps in ("off", "on")]
    evidence = bench.evidence(drives)
    assert measured("walls.dark", evidence, lamps="off").value == pytest.approx(100 * 50 / 1023, abs=0.1)
    assert measured("walls.dark", evidence).value == pytest.approx(100 * 250 / 1023, abs=0.1)


def test_a_robot_that_tells_no_dark_level_has_none_measured():
    bench = Bench()
    drive = bench.board("wall.left", "white", 49.0)
    rows = drive.samples["readings"]
    lit_only = {name: values for name, values in rows.values.items() if not name.endswith(".dark")}
    silent = bench.evidence([_with(drive, Samples(host_s=rows.host_s, values=lit_only))])
    with pytest.raises(CannotMeasureError, match="no dark level was received"):
        measured("walls.dark", silent)


def _with(drive, rows):
    return replace(drive, samples={"readings": rows})


def test_a_dark_level_told_in_another_line_and_less_often_counts_all_the_same():
    bench = Bench(share_sd=0.0)
    drive = bench.board("wall.left", "white", 49.0)
    rows = drive.samples["readings"]
    lit = {name: values for name, values in rows.values.items() if not name.endswith(".dark")}
    dark = {name: values[::10] for name, values in rows.values.items() if name.endswith(".dark")}
    motion, health = Samples(host_s=rows.host_s, values=lit), Samples(host_s=rows.host_s[::10], values=dark)
    apart = replace(drive, samples={"motion": motion, "health": health})
    both = [measured("walls.ambient", bench.evidence(_pair(bench, one))).value for one in (drive, apart)]
    assert both[0] == pytest.approx(both[1], abs=0.2)


def _pair(bench, off):
    bench.block_sd_mm = 0.0
    return [replace(off, labels={**off.labels, "lamps": "off"}), bench.board("wall.left", "white", 49.0, lamps="on")]


def test_the_saturation_margin_is_that_of_the_lit_level():
    bench = Bench(dark=51.0, share_sd=0.0, count_sd=0.0, block_sd_mm=0.0)
    evidence = bench.evidence([bench.board("wall.left", "white", 49.0)])
    found = measured("walls.saturation_margin", evidence, sensor="wall.left")
    assert found.value == pytest.approx(100 * (1 - 651 / 1023))


def test_lamps_that_move_a_reading_are_told_in_per_cent():
    bench = Bench(each=400, block_sd_mm=0.0)
    off = bench.board("wall.left", "white", 49.0, lamps="off")
    bench.gains["wall.left"] = 0.93  # the detector is less sensitive in the light
    on = bench.board("wall.left", "white", 49.0, lamps="on")
    left_standing, set_anew = (measured("walls.ambient", bench.evidence([off, on]), block_sd=sd) for sd in (0.0, 0.2))
    assert left_standing.value == pytest.approx(-7.0, abs=3 * left_standing.u)
    assert left_standing.u < 0.2
    assert set_anew.u == pytest.approx(100 * 0.93 * 2 * 0.2 * math.sqrt(2) / 49, rel=0.05)


def test_flicker_is_the_excess_of_scatter_and_none_is_told_as_none():
    # A sine of amplitude A scatters by A/sqrt(2).
    bench = Bench(flicker=30.0, each=600, block_sd_mm=0.0)
    pair = [bench.board("wall.left", "white", 49.0, lamps=lamps) for lamps in ("off", "on")]
    found = measured("walls.flicker", bench.evidence(pair))
    assert found.value == pytest.approx(100 * 30 / 600, abs=3 * found.u)
    bench.flicker = 0.0
    pair = [bench.board("wall.left", "white", 49.0, lamps=lamps) for lamps in ("off", "on")]
    found = measured("walls.flicker", bench.evidence(pair))
    assert abs(found.value) < 2 * found.u
    values = []
    for seed in range(30):
        bench = Bench(seed=seed, each=60, block_sd_mm=0.0)
        pair = [bench.board("wall.left", "white", 49.0, lamps=lamps) for lamps in ("off", "on")]
        values.append(measured("walls.flicker", bench.evidence(pair)).value)
    assert abs(np.mean(values)) < 3 * np.std(values) / math.sqrt(30)  # none is none on the average too


def test_lamps_need_both_states_of_one_place():
    bench = Bench()
    with pytest.raises(CannotMeasureError, match="both with the lamps off and with them on"):
        measured("walls.ambient", bench.evidence([bench.board("wall.left", "white", 49.0, lamps="on")]))


def test_every_sensor_answers_to_its_own_board():
    bench = Bench()
    found = measured("walls.responds", bench.evidence(bench.jig(surfaces=("white",))))
    assert found.is_count
    assert (found.value, found.n) == (3, 3)


def test_swapped_sensors_answer_for_each_other():
    bench = Bench(wired={"wall.left": "wall.right", "wall.right": "wall.left"})
    found = measured("walls.responds", bench.evidence(bench.jig(surfaces=("white",))))
    assert (found.value, found.n) == (1, 3)
    assert any("Before wall.left the board moves wall.right most" in note for note in found.notes)
    assert found.notes[-1] == "Two sensors that answer for each other are swapped in wiring or firmware."


def test_shares_of_no_light_are_refused():
    wired = {"wall.left": "wall.right", "wall.right": "wall.left"}
    bench = Bench(wired=wired)
    drives = [bench.board("wall.left", "white", 49.0, lamps=lamps) for lamps in ("off", "on")]
    drives += [bench.board("wall.left", "white", 49.0, angle_rad=0.1), bench.emit("wall.right")]
    for method in ("walls.noise", "walls.ambient", "walls.flicker", "walls.angle", "walls.crosstalk"):
        with pytest.raises(CannotMeasureError):
            measured(method, bench.evidence(drives))


def test_a_dead_sensor_answers_to_nothing():
    bench = Bench(gains={"wall.left": 0.0, "wall.right": 1.0, "wall.front": 1.0})
    drives = [bench.board("wall.left", "white", at) for at in (49.0, math.inf)]
    found = measured("walls.responds", bench.evidence(drives))
    assert (found.value, found.n) == (0, 1)
    assert found.notes == ("Before wall.left the board moves no sensor.",)
    with pytest.raises(CannotMeasureError, match="at two distances"):
        measured("walls.responds", bench.evidence(drives[:1]))


def test_crosstalk_is_told_pair_by_pair_as_a_share_of_the_detectors_wall():
    bench = Bench(
        gains={"wall.left": 1.0, "wall.right": 0.8, "wall.front": 1.0},
        crosstalk={("wall.left", "wall.right"): 24.0, ("wall.front", "wall.left"): 6.0},
    )
    drives = bench.jig(surfaces=("white",)) + [bench.emit(sensor) for sensor in SENSORS]
    evidence = bench.evidence(drives)
    found = measured("walls.crosstalk", evidence)
    assert found.value == pytest.approx(100 * 24 / 480, abs=3 * found.u)
    assert found.u < 0.2
    assert measured("walls.crosstalk", evidence, against="emitter").value == pytest.approx(100 * 24 / 600, abs=0.15)
    assert measured("walls.crosstalk", evidence, emitter="wall.front", sensor="wall.left").value == pytest.approx(
        1.0, abs=0.1
    )
    assert len(found.among) == 6


def test_crosstalk_without_a_wall_to_compare_with_is_refused():
    bench = Bench()
    with pytest.raises(CannotMeasureError, match="no sensor's reading of a wall"):
        measured("walls.crosstalk", bench.evidence([bench.emit("wall.left")]))
    with pytest.raises(CannotMeasureError, match="one emitter alone"):
        measured("walls.crosstalk", bench.evidence(bench.jig(surfaces=("white",))))


def test_stray_light_of_a_sensors_own_emitter_is_no_part_of_the_wall():
    bench = Bench(crosstalk={("wall.left", "wall.left"): 30.0, ("wall.right", "wall.left"): 30.0})
    drives = [*bench.jig(("wall.left",), ("white",)), bench.emit("wall.right")]
    found = measured("walls.crosstalk", bench.evidence(drives), sensor="wall.left")
    assert found.value == pytest.approx(5.0, abs=max(0.1, 3 * found.u))


def test_equal_levels_are_rounded_alike_and_their_number_averages_nothing():
    still = [
        Block(sensor="wall.left", lit=np.full(n, 600.0), dark=np.full(n, 51.0), distance_mm=49.0) for n in (5, 500)
    ]
    assert still[0].u_count == still[1].u_count > 0.25
