"""Calibration of wall sensors on curves whose numbers are known, drawn here."""

import numpy as np
import pytest

from hil.measure.values import CannotMeasureError
from hil.measure.wall_sensor import (
    calibrate_from_jig,
    calibration_u_mm,
    distance_with_u,
    distances_mm,
    fit_calibration,
    noise_mm,
)

BLOCKS = np.array([29.0, 34.0, 39.0, 44.0, 49.0, 54.0, 59.0, 69.0])
CLOSE = BLOCKS[2:7]  # 39 to 59 mm
GAIN, EXPONENT, OFFSET = 600 * 51.0**2, 2.0, 2.0


def reading(distance):
    return GAIN / (distance + OFFSET) ** EXPONENT


def draw(rng, blocks=BLOCKS, each=20, noise=0.01, block_sd=0.2):
    """Readings on blocks that lie a little off their marks, every reading with its own noise."""
    true = np.repeat(blocks + rng.normal(0, block_sd, blocks.size), each)
    return np.repeat(blocks, each), reading(true) * (1 + rng.normal(0, noise, true.size))


def test_exact_readings_give_back_the_curve():
    fitted = fit_calibration("wall.left", "white", BLOCKS, reading(BLOCKS))
    assert fitted.exponent == pytest.approx(EXPONENT, rel=1e-6)
    assert fitted.offset_mm == pytest.approx(OFFSET, abs=1e-4)
    assert fitted.distance_mm(reading(49.0)) == pytest.approx(49.0, abs=1e-6)
    assert fitted.span_mm == (29.0, 69.0)


@pytest.mark.parametrize(
    ("gain_step", "at_side", "at_front"), [(1.10, -2.3, -4.2), (1.20, -4.3, -7.8), (1.25, -5.2, -9.5)]
)
def test_gain_step_moves_the_apparent_distance_as_the_inverse_square_says(gain_step, at_side, at_front):
    # The table of distance errors for a gain step is for an inverse square with no offset.
    blocks = np.array([20.0, 30.0, 49.0, 70.0, 90.0, 120.0])
    counts = 600 * (49.0 / blocks) ** 2
    fitted = fit_calibration("wall.left", "white", blocks, counts)
    assert fitted.distance_mm(gain_step * 600) - 49 == pytest.approx(at_side, abs=0.06)
    assert fitted.distance_mm(gain_step * 600 * (49 / 90) ** 2) - 90 == pytest.approx(at_front, abs=0.06)


def test_stated_uncertainty_covers_the_true_distance_in_95_of_100():
    rng = np.random.default_rng(5)
    inside = {39.0: 0, 49.0: 0, 59.0: 0}
    tries = 300
    for _ in range(tries):
        fitted = fit_calibration("wall.left", "white", *draw(rng))
        for at in inside:
            error = fitted.distance_mm(reading(at)) - at
            inside[at] += abs(error) < 1.96 * calibration_u_mm(fitted, at)
    # The covariance is widened by excess scatter and never narrowed, so that a little over 95 % is right.
    assert all(0.93 <= count / tries <= 0.995 for count in inside.values()), inside


def test_more_readings_on_the_same_blocks_do_not_buy_away_the_errors_of_the_blocks():
    rng = np.random.default_rng(6)
    few = calibration_u_mm(fit_calibration("wall.left", "white", *draw(rng, each=20)), 49.0)
    many = calibration_u_mm(fit_calibration("wall.left", "white", *draw(rng, each=500)), 49.0)
    assert many > 0.05
    assert many > 0.6 * few


def test_noise_is_taken_from_repeated_readings_and_not_from_the_blocks():
    fitted = fit_calibration("wall.left", "white", *draw(np.random.default_rng(7), each=50, block_sd=1.0), 1.0)
    assert fitted.noise == pytest.approx(0.01, rel=0.1)
    assert noise_mm(fitted, 49.0) == pytest.approx(0.01 * 51 / 2, rel=0.2)


def test_blocks_worse_than_stated_widen_the_covariance():
    rng = np.random.default_rng(8)
    trusted = [
        calibration_u_mm(fit_calibration("wall.left", "white", *draw(rng, block_sd=1.0), 0.1), 49.0) for _ in range(20)
    ]
    assert np.median(trusted) > 0.25


def test_noise_averages_and_the_calibration_does_not():
    fitted = fit_calibration("wall.left", "white", *draw(np.random.default_rng(9)))
    _, single = distance_with_u(fitted, 600.0)
    _, averaged = distance_with_u(fitted, 600.0, n=10_000)
    assert single > averaged
    assert averaged == pytest.approx(calibration_u_mm(fitted, 49.0), rel=0.02)


def test_readings_that_are_not_positive_are_infinitely_far():
    fitted = fit_calibration("wall.left", "white", BLOCKS, reading(BLOCKS))
    far = distances_mm(fitted, [600.0, 0.0, -3.0])
    assert far[0] == pytest.approx(49.0, abs=1e-4)
    assert np.isinf(far[1:]).all()
    with pytest.raises(CannotMeasureError, match="not positive"):
        distance_with_u(fitted, 0.0)


def test_jig_rows_are_lit_and_dark():
    rows = [(at, reading(at) / 2 + 40, 40) for at in BLOCKS]
    assert calibrate_from_jig("wall.left", "white", rows, 1023).distance_mm(300.0) == pytest.approx(49.0, abs=1e-3)


@pytest.mark.parametrize(
    ("distances", "counts", "sentence"),
    [
        (BLOCKS[:4], reading(BLOCKS[:4]), "4 distances are too few"),
        (np.repeat(BLOCKS[:4], 9), np.repeat(reading(BLOCKS[:4]), 9), "4 distances are too few"),
        (BLOCKS, reading(BLOCKS) - 400, "not positive"),
        (np.array([5.0, *BLOCKS]), np.array([900.0, *reading(BLOCKS)]), "does not fall from 5 mm"),
        (BLOCKS, reading(BLOCKS)[:-1], "do not pair"),
        (BLOCKS, np.where(BLOCKS == 49, np.nan, reading(BLOCKS)), "not a number"),
        (BLOCKS - 30, reading(BLOCKS), "distance of -1 mm is not positive"),
        (BLOCKS, 600 * (49 / BLOCKS) ** 0.1, "exponent"),
        # An exponential falls off like no power of a distance, however far the offset.
        (BLOCKS, 1000 * np.exp(-BLOCKS / 20), "came to no end. Check the jig's distances$"),
        (
            CLOSE,
            1000 * np.exp(-CLOSE / 20),
            "from 39 to 59 mm they .* too close together .* up to 78 mm$",
        ),
    ],
)
def test_data_that_carry_no_calibration_are_refused(distances, counts, sentence):
    with pytest.raises(CannotMeasureError, match=sentence):
        fit_calibration("wall.left", "white", distances, counts)


def test_saturated_readings_are_refused():
    with pytest.raises(CannotMeasureError, match="saturated"):
        fit_calibration("wall.left", "white", BLOCKS, np.minimum(reading(BLOCKS), 1000), full_scale=1023)
    rows = [(at, min(reading(at) + 50, 1023), 50) for at in BLOCKS]
    with pytest.raises(CannotMeasureError, match="a lit level of 1023 is saturated"):
        calibrate_from_jig("wall.left", "white", rows, 1023)
