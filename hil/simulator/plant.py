"""The robot as a body among walls: duties go in, a millisecond passes, counts and readings come out.

At rest nothing moves on but the caller's clock: with both duties at zero and the speed next to none the plant stands
still, battery and all, and draws no random numbers, so that what a robot does never depends on how long it waited.
Readings that are told or logged draw from streams of their own for the same reason: what the firmware steers by
depends neither on the wait nor on who listens.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hil.simulator.dynamics import APART_S, advance, rest
from hil.simulator.encoder_disc import Edge, wheel_encoders
from hil.simulator.parameters import Truth
from hil.simulator.records import STATE, mechanics_of
from hil.simulator.sight import Sight
from hil.simulator.streams import Source, stream
from hil.simulator.world import World

TICK_S = 1e-3
STEP_S = 1e-4
_BLOCK = 4096  # random numbers drawn at a time
_REST_M_S = 1e-3
_REST_RAD_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Supplied:
    """Battery, motor rail and the current out of the battery, at one moment."""

    battery_v: float
    rail_v: float
    current_a: float


class Plant:
    """The true robot in a world. Lengths mm, angles rad, maze axes with (0, 0) at the centre of cell (0, 0).

    `under_load` is the supply as it was when the motors last turned free wheels; None: not since the robot was placed.
    """

    def __init__(self, truth: Truth, world: World, seed: int, *, step_s: float = STEP_S) -> None:
        """Stand at the centre of the course's start. `step_s` divides a tick; only tests of accuracy change it."""
        self.truth = truth
        self._steps = round(TICK_S / step_s)
        self._step_s = TICK_S / self._steps
        self.sight = Sight(truth, seed)
        self._slips = stream(seed, Source.WALK)
        self._walk = self._slips.standard_normal((_BLOCK, 2))
        self._array: NDArray[np.void] = np.zeros(1, dtype=STATE)
        self._state = self._array[0]
        self._state["quiet_s"] = APART_S
        self._corner_cells: NDArray[np.int64] = np.zeros((4, 2), dtype=np.int64)
        self._turns: NDArray[np.float64] = np.zeros((self._steps + 1, 2))
        self._polarity = (-1.0 if truth.drive.reversed_left else 1.0, -1.0 if truth.drive.reversed_right else 1.0)
        self.encoders = wheel_encoders(truth, seed)
        self._has_turned = False  # whether a wheel did in the latest tick
        self.at_rest = True
        self.under_load: Supplied | None = None
        self._leak = 0.0  # 1/ohm
        self._is_drained = False  # whether anything was ever clipped across the battery
        self.enter(world)
        start = world.course.start
        pitch_mm = world.course.pitch_mm
        self.place(start.x * pitch_mm, start.y * pitch_mm, start.heading.angle_rad)

    def enter(self, world: World) -> None:
        """Change the course; the robot keeps its battery, counts and pose until it is placed."""
        self.world = world
        self._pitch_mm = world.course.pitch_mm
        self._mechanics = mechanics_of(self.truth, world.course.pitch_mm, world.course.wall_mm)
        self._mechanics["leak"] = self._leak

    def place(self, x_mm: float, y_mm: float, theta_rad: float) -> None:
        """Set the robot down at rest, its axle's middle at (x, y); counts and battery stay as they are."""
        self.sight.scene = None
        state = self._state
        state["x"], state["y"], state["theta"] = x_mm / 1000, y_mm / 1000, theta_rad
        self._stop()
        state["on_stand"], self.under_load = 0, None
        state["touching"], state["quiet_s"] = 0, APART_S
        chassis, pitch_mm = self.truth.chassis, self._pitch_mm
        c, s = math.cos(theta_rad), math.sin(theta_rad)
        most_x, most_y = self.world.course.columns - 1, self.world.course.rows - 1
        for k in range(4):
            ahead = chassis.body_front_mm if k < 2 else -chassis.body_rear_mm
            left = chassis.body_width_mm / 2 * (1 if k % 2 == 0 else -1)
            column = math.floor((x_mm + c * ahead - s * left) / pitch_mm + 0.5)
            row = math.floor((y_mm + s * ahead + c * left) / pitch_mm + 0.5)
            self._corner_cells[k] = (min(max(column, 0), most_x), min(max(row, 0), most_y))

    def put_on_stand(self) -> None:
        """Lift the robot off the floor, its wheels free; it looks at what it looked at, until it is placed."""
        self._stop()
        self.under_load = None
        self._state["on_stand"] = 1

    def clip_resistor(self, ohm: float | None) -> None:
        """Clip a resistor across the battery, or take it off (None)."""
        self._leak = 0.0 if ohm is None else 1.0 / ohm
        self._mechanics["leak"] = self._leak
        self._is_drained = True
        self.under_load = None
        self.rest()

    def rest(self) -> None:
        """Let a millisecond pass in which the motors stand; the battery feeds what is clipped across it."""
        if self._is_drained:
            rest(self._array, self._mechanics, TICK_S)

    def roll(self, left_rad_s: float, right_rad_s: float) -> None:
        """Let hands turn the free wheels for a millisecond at these rates; with the motors off they hardly resist."""
        state = self._state
        for side, (name, rate) in enumerate((("angle_left", left_rad_s), ("angle_right", right_rad_s))):
            begun = float(state[name])
            state[name] = begun + rate * TICK_S
            self._turns[:, side] = np.linspace(begun, float(state[name]), self._steps + 1) / (2 * math.pi)
        self._has_turned = True
        self._follow_wheels((1, 1))

    def tick(self, duty_left: float, duty_right: float, ways: tuple[int, int] = (1, 1)) -> None:
        """Advance a millisecond with these duties (-1 to 1; zero brakes, and at rest does nothing).

        `ways` are the signs of the directions in which an encoder of one channel counts.
        """
        idle = duty_left == 0.0 and duty_right == 0.0
        self._has_turned = not (idle and self.at_rest)
        if not self._has_turned:
            return
        state = self._state
        if state["walk_next"] >= _BLOCK:
            self._walk = self._slips.standard_normal((_BLOCK, 2))
            state["walk_next"] = 0
        world = self.world
        advance(
            self._array,
            self._mechanics,
            self._corner_cells,
            world.blocked,
            world.board_m,
            world.convex,
            self._walk,
            self._turns,
            self._polarity[0] * min(max(duty_left, -1.0), 1.0),
            self._polarity[1] * min(max(duty_right, -1.0), 1.0),
            self._steps,
            self._step_s,
        )
        self._follow_wheels(ways)
        if state["on_stand"] and not idle:
            self.under_load = self.supply
        self.at_rest = idle and self._is_slow()
        if self.at_rest:
            self._stop()

    @property
    def channels(self) -> tuple[str, ...]:
        """The wall sensors that there are."""
        return self.sight.channels

    def read_sensors(self, source: Source = Source.SENSORS_MOVING) -> dict[str, tuple[int, int]]:
        """Return the lit and dark counts of every wall sensor as one sample of the converter.

        `source` names who reads, and so the stream that the noise is drawn from; the firmware where it is not given.
        """
        state = self._state
        return self.sight.read(source, state["x"] * 1000.0, state["y"] * 1000.0, state["theta"], self.world)

    @property
    def counts_left(self) -> int:
        """Counts of the left encoder that came through, forward positive."""
        return self.encoders[0].counts

    @property
    def counts_right(self) -> int:
        """Counts of the right encoder that came through, forward positive."""
        return self.encoders[1].counts

    @property
    def on_stand(self) -> bool:
        """Whether the wheels are free."""
        return bool(self._state["on_stand"])

    @property
    def encoder_outputs(self) -> tuple[int, int]:
        """The outputs of the left and the right encoder now, each added up: 1 channel A high, 2 channel B."""
        return self.encoders[0].outputs, self.encoders[1].outputs

    def edges(self) -> tuple[list[Edge], list[Edge]]:
        """Return the edges of the left and the right encoder that were seen in the latest tick."""
        return (self.encoders[0].edges(), self.encoders[1].edges()) if self._has_turned else ([], [])

    @property
    def battery_v(self) -> float:
        """Voltage at the battery's terminals."""
        return float(self._state["battery_v"])

    @property
    def rail_v(self) -> float:
        """Voltage that the motors run on, the battery's where there is no regulator."""
        return float(self._state["rail_v"])

    @property
    def supply(self) -> Supplied:
        """What a meter would find now."""
        return Supplied(battery_v=self.battery_v, rail_v=self.rail_v, current_a=self.current_a)

    @property
    def current_a(self) -> float:
        """Current out of the battery."""
        return float(self._state["current"])

    @property
    def x_mm(self) -> float:
        """True place of the axle's middle, east."""
        return float(self._state["x"]) * 1000

    @property
    def y_mm(self) -> float:
        """True place of the axle's middle, north."""
        return float(self._state["y"]) * 1000

    @property
    def theta_rad(self) -> float:
        """True direction, counter-clockwise from east, not wrapped."""
        return float(self._state["theta"])

    @property
    def speed_mm_s(self) -> float:
        """True forward speed."""
        return float(self._state["u"]) * 1000

    @property
    def turn_rate_rad_s(self) -> float:
        """True turn rate, counter-clockwise positive."""
        return float(self._state["omega"])

    @property
    def wheel_angles_rad(self) -> tuple[float, float]:
        """How far the left and right wheel have truly turned."""
        return float(self._state["angle_left"]), float(self._state["angle_right"])

    @property
    def wheel_rates_rad_s(self) -> tuple[float, float]:
        """How fast the left and right wheel truly turn."""
        return float(self._state["wheel_left"]), float(self._state["wheel_right"])

    @property
    def contacts(self) -> int:
        """How many separate times the body has touched a wall or a post so far."""
        return int(self._state["contacts"])

    def _follow_wheels(self, ways: tuple[int, int]) -> None:
        """Let the encoders see how the wheels turned in this tick."""
        for side, way in enumerate(ways):
            self.encoders[side].turn(self._turns[:, side], way)

    def _is_slow(self) -> bool:
        state, chassis = self._state, self.truth.chassis
        rim_m_s = (
            max(
                abs(state["wheel_left"]) * chassis.wheel_diameter_left_mm,
                abs(state["wheel_right"]) * chassis.wheel_diameter_right_mm,
            )
            / 2000
        )
        fastest = max(rim_m_s, abs(state["u"]), abs(state["w"]))
        return bool(fastest < _REST_M_S and abs(state["omega"]) < _REST_RAD_S)

    def _stop(self) -> None:
        state = self._state
        for name in ("u", "w", "omega", "wheel_left", "wheel_right", "accelerates", "turns_aside", "current"):
            state[name] = 0.0
        battery_v, rail = self._resting_v(), self.truth.rail
        state["battery_v"] = battery_v
        state["rail_v"] = battery_v if rail is None else max(0.0, min(rail.set_v, battery_v - rail.dropout_v))
        self.at_rest = True

    def _resting_v(self) -> float:
        state, battery = self._state, self.truth.battery
        return float(battery.open_circuit_v - battery.volts_per_coulomb * state["charge"] - state["slow_v"])
