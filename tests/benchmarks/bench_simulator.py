"""How much faster than life the plant and its sensors run: robot time over wall time, for one core.

Run as a script; it prints the ratio, the cost of a tick and of a reading, and nothing is asserted.
"""

from __future__ import annotations

import math
import time

from hil.measure.model import CellPose, Course, Heading, Robot, WallSensor
from hil.simulator.parameters import nominal_truth
from hil.simulator.plant import TICK_S, Plant
from hil.simulator.world import World

TICKS = 20_000


def corridor() -> Course:
    sides = {(x, y, Heading.EAST) for x in (-1, 0) for y in range(6)}
    return Course(
        name="corridor",
        pitch_mm=180,
        wall_mm=12,
        columns=1,
        rows=6,
        walls=frozenset(sides | {(0, -1, Heading.NORTH), (0, 5, Heading.NORTH)}),
        posts=frozenset((i, j) for i in range(2) for j in range(7)),
        surface="matt-white",
        start=CellPose(x=0, y=0, heading=Heading.NORTH),
    )


def robot() -> Robot:
    return Robot(
        name="reference",
        serial="B-1",
        robot_class="entry",
        body_width_mm=80,
        body_front_mm=50,
        body_rear_mm=50,
        wheel_diameter_left_mm=28,
        wheel_diameter_right_mm=28,
        wheel_base_mm=70,
        counts_per_turn=360,
        adc_full_scale=1023,
        sensors=(
            WallSensor(channel="wall.left", x_mm=30, y_mm=35, angle_rad=math.pi / 2),
            WallSensor(channel="wall.right", x_mm=30, y_mm=-35, angle_rad=-math.pi / 2),
            WallSensor(channel="wall.front", x_mm=45, y_mm=0, angle_rad=0),
        ),
    )


def shuttle(plant: Plant, *, reads: bool) -> float:
    """Drive up and down the corridor and return the wall time."""
    duty = 0.12
    begun = time.perf_counter()
    for _ in range(TICKS):
        if plant.y_mm > 800:
            duty = -0.12
        elif plant.y_mm < 50:
            duty = 0.12
        plant.tick(duty, duty)
        if reads:
            plant.read_sensors()
    return time.perf_counter() - begun


def main() -> None:
    truth = nominal_truth(robot(), 1)
    plant = Plant(truth, World(corridor(), truth.noises, 1), 1)
    plant.tick(0.1, 0.1)
    plant.read_sensors()
    bare_s = min(shuttle(plant, reads=False) for _ in range(3))
    whole_s = min(shuttle(plant, reads=True) for _ in range(3))
    print(f"tick {bare_s / TICKS * 1e6:.1f} us, tick and readings {whole_s / TICKS * 1e6:.1f} us")
    print(f"robot time / wall time: {TICKS * TICK_S / whole_s:.0f}")


if __name__ == "__main__":
    main()
