"""Curves of wall sensors and what follows from them, on a bench that is drawn: every truth stands in the test."""

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.measure.evidence import Samples
from hil.measure.methods import METHODS, Parameters
from hil.measure.values import CannotMeasureError
from hil.measure.wall_fits import fits_of

from .drawn_jig import FRONT_MM, SENSORS, SIDE_MM, Bench

LEFT = {"sensor": "wall.left", "surface": "white"}


def measured(method, evidence, words=None, **numbers):
    return METHODS[method].run(evidence, Parameters(words=words or {}, numbers=numbers))


def test_every_sensor_on_every_surface_gets_its_curve():
    bench = Bench()
    fits, reasons = fits_of(bench.evidence(bench.jig()), Parameters())
    assert [fit.title for fit in fits] == [f"{s} on {surface}" for surface in bench.surfaces for s in SENSORS]
    assert not reasons
    for fit in fits:
        one = fit.calibration
        at = 90.0 if one.channel == "wall.front" else 49.0
        assert one.reading(at) == pytest.approx(bench.light(one.channel, at, one.surface), rel=0.02)
        assert one.span_mm == ((FRONT_MM if one.channel == "wall.front" else SIDE_MM)[0], one.span_mm[1])


def test_the_constants_of_a_curve_are_true_within_their_uncertainty():
    bench = Bench(exponent=2.3, offset_mm=4.0, block_sd_mm=0.05)
    places = (44.0, 49.0, 54.0, 59.0, 69.0, 84.0, 99.0, 119.0)
    evidence = bench.evidence([bench.board("wall.left", "white", at) for at in places])
    words = {"block_sd": 0.05}
    exponent, offset, log_gain = (
        METHODS[f"walls.{name}"].run(evidence, Parameters(words=LEFT, numbers=words))
        for name in ("exponent", "offset", "log_gain")
    )
    assert exponent.value == pytest.approx(2.3, abs=3 * exponent.u)
    assert offset.value == pytest.approx(4.0, abs=3 * offset.u)
    assert log_gain.value == pytest.approx(math.log(600 * 53.0**2.3), abs=3 * log_gain.u)
    assert offset.u < 1.0


def test_the_reading_at_the_set_distance_comes_from_the_whole_curve():
    bench = Bench()
    evidence = bench.evidence(bench.jig())
    found = measured("walls.reading", evidence, LEFT)
    single = measured("walls.reading", bench.evidence([bench.board("wall.left", "white", 49.0)]), LEFT)
    assert found.value == pytest.approx(600, abs=3 * found.u)
    assert single.value == pytest.approx(600, abs=3 * single.u)
    assert found.u < 0.8 * single.u
    assert single.u == pytest.approx(600 * 2 * 0.2 / 49, rel=0.2)
    with pytest.raises(CannotMeasureError, match="name sensor and surface; there are 9"):
        measured("walls.reading", evidence)


def test_a_board_off_its_place_shows_as_residual():
    bench = Bench(block_sd_mm=0.0)
    drives = [bench.board("wall.left", "white", at) for at in (44.0, 54.0, 59.0, 69.0, 79.0, 99.0)]
    drives.append(bench.board("wall.left", "white", 67.0, stated_mm=64.0))
    found = measured("walls.residual", bench.evidence(drives))
    assert 1.5 < found.value < 3.0
    assert found.notes[-1] == "The largest of 7 blocks, at 64 mm."
    straight = measured("walls.residual", bench.evidence(drives[:-1]))
    assert straight.value < 0.3


def test_residuals_outside_40_to_120_mm_do_not_count():
    bench = Bench(block_sd_mm=0.0)
    drives = [bench.board("wall.left", "white", at) for at in (49.0, 69.0, 89.0, 109.0, 119.0, 150.0, 170.0, 190.0)]
    drives.append(bench.board("wall.left", "white", 140.0, stated_mm=132.0))
    wide, usual = (measured("walls.residual", bench.evidence(drives), far=far).value for far in (200.0, 120.0))
    assert wide > 5.0
    assert usual < 2.0


def test_left_is_told_against_right_surface_by_surface():
    bench = Bench(gains={"wall.left": 0.9, "wall.right": 1.0, "wall.front": 1.0})
    found = measured("walls.left_right", bench.evidence(bench.jig()))
    assert found.value == pytest.approx(-10.0, abs=3 * found.u)
    assert len(found.among) == 3
    assert found.u < 1.0
    with pytest.raises(CannotMeasureError, match="no left sensor and its right one"):
        measured("walls.left_right", bench.evidence(bench.jig(("wall.left",))))


def test_the_spread_over_surfaces_is_of_the_largest_reading():
    bench = Bench(surfaces={"white": 1.0, "grey": 0.75, "red": 0.9})
    found = measured("walls.spread", bench.evidence(bench.jig()))
    assert found.value == pytest.approx(25.0, abs=3 * found.u)
    assert "to either side, by the inverse square." in found.notes[2]
    one_block_each = [bench.board("wall.left", surface, 49.0) for surface in bench.surfaces]
    quick = measured("walls.spread", bench.evidence(one_block_each))
    assert quick.value == pytest.approx(25.0, abs=3 * quick.u)
    with pytest.raises(CannotMeasureError, match="two surfaces or more"):
        measured("walls.spread", bench.evidence(bench.jig(surfaces=("white",))))


def test_a_turned_board_is_held_against_the_same_one_squarely():
    bench = Bench(each=400)
    drives = bench.jig(("wall.left",), ("white",))
    drives.append(bench.board("wall.left", "white", 49.0, angle_rad=math.radians(5), factor=0.93))
    evidence = bench.evidence(drives)
    found = measured("walls.angle", evidence)
    assert found.value == pytest.approx(-7.0, abs=3 * found.u)
    # The turned board is no part of the curve.
    assert measured("walls.reading", evidence, LEFT).value == pytest.approx(600, rel=0.02)


def test_a_sensor_that_cannot_be_fitted_is_named_and_the_others_are_measured():
    bench = Bench(gains={"wall.left": 1.6, "wall.right": 1.0, "wall.front": 1.0})
    fits, reasons = fits_of(bench.evidence(bench.jig(surfaces=("white",))), Parameters())
    assert [fit.calibration.channel for fit in fits] == ["wall.right", "wall.front"]
    assert "wall.left on white: a lit level of 1023 is saturated" in reasons[0]
    with pytest.raises(CannotMeasureError, match="is saturated"):
        measured("walls.residual", bench.evidence(bench.jig(surfaces=("white",))), LEFT)


def test_a_saturated_block_is_left_out_of_the_curve_and_said():
    bench = Bench(gains=dict.fromkeys(SENSORS, 1.3))
    fits, reasons = fits_of(bench.evidence(bench.jig(("wall.left",), ("white",))), Parameters())
    assert fits[0].calibration.span_mm == (49.0, 79.0)
    assert reasons == ["Left out: wall.left on white at 44 mm is saturated."]


def test_the_stated_uncertainty_of_the_reading_covers_it():
    inside = 0
    for seed in range(60):
        bench = Bench(seed=seed, each=20)
        found = measured("walls.reading", bench.evidence(bench.jig(("wall.left",), ("white",))), LEFT)
        inside += abs(found.value - 600) <= 1.96 * found.u
    assert 54 <= inside <= 60


def test_segments_under_lamps_and_of_lone_emitters_are_no_part_of_a_curve():
    bench = Bench()
    drives = [*bench.jig(("wall.left",), ("white",)), bench.board("wall.left", "white", 49.0, lamps="on", factor=1.3)]
    value = measured("walls.reading", bench.evidence(drives), LEFT).value
    assert value == pytest.approx(600, rel=0.02)
    assert np.isfinite(value)


def test_a_jig_read_wholly_under_the_lamps_is_a_jig_all_the_same():
    bench = Bench(room=30.0)
    drives = [bench.board("wall.left", "white", at, lamps="on") for at in SIDE_MM]
    assert measured("walls.reading", bench.evidence(drives), LEFT).value == pytest.approx(600, rel=0.02)


def test_a_robot_that_tells_no_dark_level_has_it_said_that_the_curve_holds_it():
    bench = Bench()
    bare = []
    for drive in bench.jig(("wall.left",), ("white",)):
        rows = drive.samples["readings"]
        lit = {name: values for name, values in rows.values.items() if not name.endswith(".dark")}
        bare.append(replace(drive, samples={"readings": Samples(host_s=rows.host_s, values=lit)}))
    _, reasons = fits_of(bench.evidence(bare), Parameters())
    assert reasons == ["No dark level is told of wall.left: what is read without the emitter is in the curve."]
