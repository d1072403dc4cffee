"""The nominal table: what a seed draws, and that it draws the same every time."""

from __future__ import annotations

import numpy as np

from hil.measure.model import Robot
from hil.simulator.parameters import exact_truth, nominal_truth
from hil.simulator.streams import Source, stream


def test_a_seed_gives_the_same_robot_every_time_and_another_seed_another(robot: Robot) -> None:
    assert nominal_truth(robot, 3) == nominal_truth(robot, 3)
    assert nominal_truth(robot, 3) != nominal_truth(robot, 4)


def test_residuals_of_many_units_scatter_as_the_table_says(robot: Robot) -> None:
    truths = [nominal_truth(robot, seed) for seed in range(400)]
    noises = truths[0].noises
    gain = exact_truth(robot).sensors[0].gain
    drawn = {
        noises.wheel_mismatch_sd: [truth.wheel_mismatch for truth in truths],
        noises.wheel_base_sd: [truth.wheel_base_error for truth in truths],
        noises.clock_sd: [truth.clock_error for truth in truths],
        noises.sensor_gain_sd: [truth.sensors[0].gain / gain - 1 for truth in truths],
    }
    for expected, values in drawn.items():
        # 400 units: the standard deviation is known to 3.5 %, the mean to a twentieth of it; four of each allowed.
        assert abs(np.std(values) / expected - 1) < 0.14
        assert abs(np.mean(values)) < 0.2 * expected


def test_streams_of_different_sources_and_keys_are_unrelated() -> None:
    first = stream(1, Source.WALK).standard_normal(2000)
    for other in (
        stream(1, Source.DROPS),
        stream(2, Source.WALK),
        stream(1, Source.WALK, 1),
        stream(1, Source.WALK, -1),
    ):
        # Correlation of 2000 pairs has a standard deviation of 0.022.
        assert abs(np.corrcoef(first, other.standard_normal(2000))[0, 1]) < 0.09
    assert np.array_equal(first, stream(1, Source.WALK).standard_normal(2000))
