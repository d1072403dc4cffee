"""One reading on a new wall: the calibration there, and how far it can be trusted."""

from dataclasses import replace

import numpy as np
import pytest

from hil.measure.surface_transfer import SCATTER, shared_shape, transferred
from hil.measure.values import CannotMeasureError
from hil.measure.wall_sensor import calibration_u_mm, fit_calibration

BLOCKS = np.array([39.0, 44.0, 49.0, 54.0, 59.0, 79.0, 119.0])
SET_MM = 49.0


def reading(distance, gain=1.0, exponent=2.0, offset=2.0):
    return gain * 600 * ((SET_MM + offset) / (np.asarray(distance) + offset)) ** exponent


def fitted(rng, surface="white", each=50, **shape):
    true = np.repeat(BLOCKS + rng.normal(0, 0.2, BLOCKS.size), each)
    counts = reading(true, **shape) * (1 + rng.normal(0, 0.01, true.size))
    return fit_calibration("wall.left", surface, np.repeat(BLOCKS, each), counts, 0.2)


def one_reading(rng, n=50, **shape):
    return float(np.mean(reading(SET_MM + rng.normal(0, 0.2), **shape) * (1 + rng.normal(0, 0.01, n))))


def test_the_new_curve_goes_through_its_own_reading():
    home = fitted(np.random.default_rng(1))
    new = transferred([home], "grey", 480.0, 50, SET_MM)
    assert new.reading(SET_MM) == pytest.approx(480.0, rel=1e-12)
    assert new.distance_mm(480.0) == pytest.approx(SET_MM, abs=1e-9)
    assert (new.exponent, new.offset_mm) == pytest.approx((home.exponent, home.offset_mm))
    assert new.surface == "grey"
    assert new.source == "transfer: 50 readings at 49 mm, shape of white (scatter between surfaces stated)"


def test_at_the_set_distance_only_the_reading_itself_is_uncertain():
    home = fitted(np.random.default_rng(2))
    new = transferred([home], "grey", 480.0, 50, SET_MM, sd_share=0.01, block_sd_mm=0.2)
    noise_mm = (SET_MM + new.offset_mm) / new.exponent * 0.01 / np.sqrt(50)
    assert calibration_u_mm(new, SET_MM) == pytest.approx(np.hypot(0.2, noise_mm), rel=0.01)
    beside = [calibration_u_mm(new, SET_MM + away) for away in (-10.0, 10.0, 30.0, 60.0)]
    assert all(u > calibration_u_mm(new, SET_MM) for u in beside)
    assert beside[1] < beside[2] < beside[3]


def test_fewer_readings_make_it_less_certain():
    home = fitted(np.random.default_rng(3))
    few, many = (
        calibration_u_mm(transferred([home], "grey", 480.0, n, SET_MM, block_sd_mm=0.05), SET_MM) for n in (1, 100)
    )
    assert few > 3 * many


def test_the_interval_covers_the_true_distance_at_the_set_distance_and_beside_it():
    rng = np.random.default_rng(4)
    tries, inside = 200, {39.0: 0, 49.0: 0, 59.0: 0}
    for _ in range(tries):
        home = fitted(rng)
        shape = {
            "gain": rng.uniform(0.7, 1.0),
            "exponent": 2.0 + rng.normal(0, SCATTER[0]),
            "offset": 2.0 + rng.normal(0, SCATTER[1]),
        }
        new = transferred([home], "new", one_reading(rng, **shape), 50, SET_MM)
        for at in inside:
            error = new.distance_mm(float(reading(at, **shape))) - at
            inside[at] += abs(error) <= 1.96 * calibration_u_mm(new, at)
    assert all(0.90 <= count / tries <= 0.995 for count in inside.values()), inside
    assert inside[49.0] / tries <= 0.98


def test_away_from_the_set_distance_it_is_what_surfaces_differ_by_that_counts():
    # The surface at home is one of them too, so that twice the scatter lies between it and the new one.
    rng = np.random.default_rng(9)
    known = replace(fitted(rng), covariance=((1e-12, 0, 0), (0, 1e-12, 0), (0, 0, 1e-12)))
    tries, inside = 300, {34.0: 0, 79.0: 0}
    for _ in range(tries):
        (home_n, new_n), (home_d0, new_d0) = 2 + rng.normal(0, SCATTER[0], 2), 2 + rng.normal(0, SCATTER[1], 2)
        home = replace(known, exponent=float(home_n), offset_mm=float(home_d0))
        shape = {"exponent": new_n, "offset": new_d0}
        new = transferred([home], "new", float(reading(SET_MM, **shape)), 1000, SET_MM, block_sd_mm=0.001)
        for at in inside:
            error = new.distance_mm(float(reading(at, **shape))) - at
            inside[at] += abs(error) <= 1.96 * calibration_u_mm(new, at)
    assert all(0.91 <= count / tries <= 0.98 for count in inside.values()), inside


def test_it_agrees_with_a_full_calibration_within_a_millimetre_on_ten_surfaces():
    rng = np.random.default_rng(5)
    home = fitted(rng)
    for number in range(10):
        shape = {"gain": rng.uniform(0.7, 1.0), "exponent": 2 + rng.normal(0, 0.02), "offset": 2 + rng.normal(0, 0.4)}
        new = transferred([home], f"new {number}", one_reading(rng, **shape), 50, SET_MM)
        full = fitted(rng, f"new {number}", **shape)
        assert abs(new.distance_mm(full.reading(SET_MM)) - SET_MM) < 1.0


def test_what_surfaces_differ_by_is_taken_from_them_where_there_are_three():
    rng = np.random.default_rng(6)
    alike = [fitted(rng, f"s{n}", each=400) for n in range(6)]
    apart = [fitted(rng, f"s{n}", each=400, offset=2.0 + 6.0 * (n - 2.5)) for n in range(6)]
    told = [transferred(homes, "new", 500.0, 50, SET_MM) for homes in (alike, apart)]
    u = [calibration_u_mm(one, 79.0) for one in told]
    assert u[1] > 2 * u[0]
    assert all("(scatter between them measured)" in one.source for one in told)
    assert not shared_shape(alike[:2]).is_measured
    assert shared_shape(alike).surfaces == tuple(f"s{n}" for n in range(6))


def test_several_surfaces_make_the_shape_more_certain_than_one():
    rng = np.random.default_rng(7)
    homes = [fitted(rng, f"s{n}") for n in range(8)]
    one, all_of_them = (calibration_u_mm(transferred(of, "new", 500.0, 50, SET_MM), 79.0) for of in (homes[:1], homes))
    assert all_of_them < one


def test_what_carries_no_transfer_is_refused():
    home = fitted(np.random.default_rng(8))
    with pytest.raises(CannotMeasureError, match="at least one surface"):
        transferred([], "grey", 480.0, 50, SET_MM)
    with pytest.raises(CannotMeasureError, match="no wall was seen"):
        transferred([home], "grey", 0.0, 50, SET_MM)
    with pytest.raises(CannotMeasureError, match="lies inside the sensor"):
        transferred([home], "grey", 480.0, 50, -20.0)
