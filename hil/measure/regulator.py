"""What a linear adjustable regulator makes of a battery: the rail its resistors set, and what a weak battery leaves.

V = Vref (1 + R2/R1) + Iadj R2 (data sheets of three-terminal adjustable regulators); below the dropout the rail is the
battery less the dropout.
"""

from __future__ import annotations

from hil.measure.model import Regulator, Supply


def set_voltage_v(regulator: Regulator) -> float:
    """Return the rail [V] that the nominal parts set."""
    return regulator.reference_v * (1 + regulator.r2_ohm / regulator.r1_ohm) + regulator.adjust_a * regulator.r2_ohm


def set_bounds_v(regulator: Regulator) -> tuple[float, float]:
    """Return the lowest and highest rail [V] that parts within their tolerances set."""

    def at(sign: int) -> float:
        part, reference = regulator.resistor_share * sign, regulator.reference_share * sign
        r1, r2 = regulator.r1_ohm * (1 - part), regulator.r2_ohm * (1 + part)
        return regulator.reference_v * (1 + reference) * (1 + r2 / r1) + regulator.adjust_a * r2

    return at(-1), at(1)


def rail_v(regulator: Regulator, battery_v: float, set_v: float | None = None) -> float:
    """Return the rail [V] on a battery of that voltage: what is set, or the battery less the dropout."""
    wanted = set_voltage_v(regulator) if set_v is None else set_v
    return min(wanted, battery_v - regulator.dropout_v)


def best_rail_v(regulator: Regulator, open_v: float, resistance_ohm: float, current_a: float) -> float:
    """Return the highest rail [V] that can be regulated at a current, from a battery of that voltage and resistance.

    A 9 V block (9.5 V, 1.7 ohm) behind 2 V of dropout gives 7.3 V at 0.1 A and 6.65 V at 0.5 A.
    """
    return open_v - resistance_ohm * current_a - regulator.dropout_v


def motor_set_v(supply: Supply) -> float | None:
    """Return what the motor rail should be [V]: as the robot file says, or by the resistors; None without either."""
    if supply.motor_v is not None:
        return supply.motor_v
    return set_voltage_v(supply.regulator) if supply.regulator else None
