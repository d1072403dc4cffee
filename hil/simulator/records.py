"""The records that the compiled mechanics works on: the state of the robot, and its truth in SI units.

Each is written once, as a class whose attributes the compiled functions read by name; the layout in memory follows
from it.
"""

from __future__ import annotations

import math
from typing import Protocol, get_type_hints

import numpy as np
from numpy.typing import NDArray

from hil.simulator.parameters import Truth


class State(Protocol):
    """All that changes while the robot moves."""

    x: float  # of the axle's middle, m, maze axes
    y: float
    theta: float
    u: float  # forward velocity of the centre of mass, m/s, body's frame
    w: float  # and its velocity to the left
    omega: float
    wheel_left: float  # rad/s
    wheel_right: float
    angle_left: float  # rad
    angle_right: float
    accelerates: float  # forward force over mass of the last step, m/s^2, for the loads
    turns_aside: float  # and that to the left
    slow_v: float  # over the battery's RC link
    charge: float  # taken out so far, coulomb
    battery_v: float
    rail_v: float  # of the motors
    current: float  # out of the battery, ampere
    quiet_s: float  # since the body last touched anything
    contacts: int
    touching: int
    on_stand: int  # whether the wheels are free
    walk_next: int  # how many of the drawn chances are used


class Mechanics(Protocol):
    """The truth that the mechanics needs, in SI units."""

    mass: float
    yaw_inertia: float
    half_base: float
    radius_left: float
    radius_right: float
    front: float
    rear: float
    half_width: float
    reach: float  # from the axle's middle to the farthest corner
    mass_x: float  # of the centre of mass, ahead of the axle
    mass_height: float
    caster_x: float
    caster_share: float
    caster_friction: float
    gear: float
    motor_k: float
    motor_r: float
    spin_inertia: float  # wheel and rotor, at the wheel
    dry: float
    viscous: float
    grip: float
    stiffness: float
    open_v: float
    battery_r: float
    slow_r: float
    slow_time: float
    volts_per_coulomb: float
    regulated: int  # whether the motors run on a regulator
    rail_set: float
    dropout: float
    leak: float  # conductance of what is clipped across the battery, 1/ohm
    walk: float  # m^(1/2)
    pitch: float
    half_free: float  # half the free width of a passage
    half_wall: float


def _layout(record: type) -> np.dtype[np.void]:
    return np.dtype(
        [(name, np.float64 if kind is float else np.int64) for name, kind in get_type_hints(record).items()]
    )


STATE = _layout(State)
MECHANICS = _layout(Mechanics)


def mechanics_of(truth: Truth, pitch_mm: float, wall_mm: float) -> NDArray[np.void]:
    """Return the truth as the compiled functions take it: one record in SI units."""
    chassis, drive, battery = truth.chassis, truth.drive, truth.battery
    values = {
        "mass": chassis.mass_kg,
        "yaw_inertia": chassis.yaw_inertia_kg_m2,
        "half_base": chassis.wheel_base_mm / 2000,
        "radius_left": chassis.wheel_diameter_left_mm / 2000,
        "radius_right": chassis.wheel_diameter_right_mm / 2000,
        "front": chassis.body_front_mm / 1000,
        "rear": chassis.body_rear_mm / 1000,
        "half_width": chassis.body_width_mm / 2000,
        "reach": math.hypot(max(chassis.body_front_mm, chassis.body_rear_mm), chassis.body_width_mm / 2) / 1000,
        "mass_x": chassis.caster_share * chassis.caster_x_mm / 1000,
        "mass_height": chassis.mass_height_mm / 1000,
        "caster_x": chassis.caster_x_mm / 1000,
        "caster_share": chassis.caster_share,
        "caster_friction": chassis.caster_friction,
        "gear": drive.gear,
        "motor_k": drive.motor_constant_v_s,
        "motor_r": drive.motor_resistance_ohm,
        "spin_inertia": drive.wheel_inertia_kg_m2 + drive.gear**2 * drive.rotor_inertia_kg_m2,
        "dry": drive.dry_friction_n_m,
        "viscous": drive.viscous_friction_n_m_s,
        "grip": drive.grip,
        "stiffness": drive.tyre_stiffness_n_s_m,
        "open_v": battery.open_circuit_v,
        "battery_r": battery.resistance_ohm,
        "slow_r": battery.slow_resistance_ohm,
        "slow_time": battery.slow_time_s,
        "volts_per_coulomb": battery.volts_per_coulomb,
        "regulated": 0 if truth.rail is None else 1,
        "rail_set": 0.0 if truth.rail is None else truth.rail.set_v,
        "dropout": 0.0 if truth.rail is None else truth.rail.dropout_v,
        "leak": 0.0,
        "walk": truth.noises.walk_per_root_mm * math.sqrt(1e-3),  # mm^(1/2) to m^(1/2)
        "pitch": pitch_mm / 1000,
        "half_free": (pitch_mm - wall_mm) / 2000,
        "half_wall": wall_mm / 2000,
    }
    return np.array([tuple(values[name] for name in get_type_hints(Mechanics))], dtype=MECHANICS)
