"""The jig session: what is read, how noisy it is, and that it knows nothing of what drifts later."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hil.measure.model import Robot
from hil.simulator.faults import apply_faults, parse_faults
from hil.simulator.jig import READINGS, jig_readings
from hil.simulator.optics import plane_light
from hil.simulator.parameters import Truth, nominal_truth


def test_every_sensor_is_read_at_the_usual_distances_fifty_times_each(exact: Truth) -> None:
    readings = jig_readings(exact, 1)
    assert set(readings) == {"wall.left", "wall.right", "wall.front"}
    for channel, usual in {"wall.left": {39, 44, 49, 54, 59}, "wall.front": {30, 44, 60, 84, 134}}.items():
        distances = [row[0] for row in readings[channel]]
        assert usual <= set(distances)
        assert all(distances.count(distance) == READINGS == 50 for distance in set(distances))


def test_blocks_that_nearly_saturate_a_sensor_are_left_out_and_enough_are_left(robot: Robot) -> None:
    kept = []
    for seed in range(60):
        for rows in jig_readings(nominal_truth(robot, seed), seed).values():
            assert max(lit for _, lit, _ in rows) < 0.95 * 1023
            kept.append(len(rows) // READINGS)
    assert min(kept) >= 5  # what a calibration needs
    assert min(kept) < max(kept)  # some units are too bright for the nearest block


def test_readings_follow_the_true_curve_within_noise_and_block_error(robot: Robot) -> None:
    truth = nominal_truth(robot, 3)
    rows = np.array(jig_readings(truth, 3)["wall.left"])
    for distance in np.unique(rows[:, 0]):
        at = rows[rows[:, 0] == distance]
        mean = float((at[:, 1] - at[:, 2]).mean())
        expected = plane_light(truth.sensors[0], float(distance))
        # Blocks are 0.2 mm uncertain, dS / S = 2 dd / (d + d0); the noise of 50 readings is 0.14 % beside it.
        assert mean / expected == pytest.approx(1, abs=4 * (2 * 0.2 / (distance + 2) + 0.0014))


def test_the_jig_was_read_before_anything_drifted(exact: Truth) -> None:
    drifted = apply_faults(exact, parse_faults(["sensor-gain-left=0.9", "surface-gain=0.75"]))
    assert jig_readings(drifted, 1) == jig_readings(exact, 1)


def test_the_same_seed_reads_the_same(robot: Robot) -> None:
    truth = nominal_truth(robot, 3)
    noisy = jig_readings(truth, 3)
    assert noisy == jig_readings(truth, 3)
    assert noisy != jig_readings(truth, 4)
    silent = jig_readings(replace(truth, noises=replace(truth.noises, jig_block_sd_mm=0, sensor_share_sd=0)), 3)
    assert silent != noisy
