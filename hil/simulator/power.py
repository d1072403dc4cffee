"""What a virtual robot runs on: its battery by chemistry, and the regulator of its motor rail with its true parts.

Voltages without load, half-charged where a battery can be charged: 3.9 V a lithium cell and 1.28 V a nickel-metal
hydride cell (published: 1.25 to 1.4 V), 9.5 V a fresh 9 V block with 1.7 ohm and 550 mAh (data sheets); the other
resistances are common practice, no source. A chemistry of another name is taken for lithium.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from hil.measure.model import Regulator, Supply
from hil.simulator.streams import Source, stream


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """A pack, two lithium cells by default: a voltage that falls with charge, a resistance, and one slow RC link."""

    open_circuit_v: float = 7.8
    resistance_ohm: float = 0.15
    slow_resistance_ohm: float = 0.05
    slow_time_s: float = 2.0
    volts_per_coulomb: float = 1.2 / 1080  # 8.4 V full to 7.2 V near empty over 300 mAh


@dataclass(frozen=True, slots=True, kw_only=True)
class RailTruth:
    """A linear regulator: the motor rail is `set_v`, or the battery less `dropout_v` where that is lower."""

    set_v: float
    dropout_v: float


_NIMH_CELL = Battery(
    open_circuit_v=1.28, resistance_ohm=0.04, slow_resistance_ohm=0.015, slow_time_s=4.0, volts_per_coulomb=0.25 / 2700
)
_NINE_VOLT_BLOCK = Battery(
    open_circuit_v=9.5, resistance_ohm=1.7, slow_resistance_ohm=0.5, slow_time_s=4.0, volts_per_coulomb=3.0 / 1980
)
_LITHIUM_PAIR = Battery()  # of two cells
_LITHIUM_OWN = {"li-ion": 2.0, "lithium ion": 2.0}  # resistance over that of a polymer cell


def battery_of(supply: Supply | None) -> Battery:
    """Return the battery of a robot, two lithium cells where its file says nothing."""
    if supply is None:
        return _LITHIUM_PAIR
    chemistry = supply.chemistry.lower()
    if chemistry.startswith("9 v") or "block" in chemistry:
        return _in_series(_NINE_VOLT_BLOCK, 1)
    if "nimh" in chemistry or "nickel" in chemistry:
        return _in_series(_NIMH_CELL, supply.cells)
    own = _LITHIUM_OWN.get(chemistry, 1.0)
    if supply.cells == 2 and own == 1.0:
        return _LITHIUM_PAIR
    pack = _in_series(_LITHIUM_PAIR, supply.cells / 2)
    return replace(pack, resistance_ohm=pack.resistance_ohm * own, slow_resistance_ohm=pack.slow_resistance_ohm * own)


def rail_of(supply: Supply | None, seed: int | None) -> RailTruth | None:
    """Return the regulator of the motor rail with parts drawn within their tolerances; None: motors on the battery.

    Without a seed every part is what it is marked. A rail that is only said to be set is so, without a dropout.
    """
    if supply is None or (supply.regulator is None and supply.motor_v is None):
        return None
    regulator = supply.regulator
    if regulator is None:
        return RailTruth(set_v=float(supply.motor_v or 0.0), dropout_v=0.0)
    if seed is None:
        return RailTruth(set_v=_set_v(regulator, 0.0, 0.0, 0.0), dropout_v=regulator.dropout_v)
    first, second, third = stream(seed, Source.REGULATOR).uniform(-1.0, 1.0, 3).tolist()
    return RailTruth(set_v=_set_v(regulator, first, second, third), dropout_v=regulator.dropout_v)


def _set_v(regulator: Regulator, r1: float, r2: float, reference: float) -> float:
    """Return Vref (1 + R2/R1) + Iadj R2 with every part off by so much of its tolerance, -1 to 1."""
    r1_ohm = regulator.r1_ohm * (1 + regulator.resistor_share * r1)
    r2_ohm = regulator.r2_ohm * (1 + regulator.resistor_share * r2)
    reference_v = regulator.reference_v * (1 + regulator.reference_share * reference)
    return reference_v * (1 + r2_ohm / r1_ohm) + regulator.adjust_a * r2_ohm


def _in_series(cell: Battery, cells: float) -> Battery:
    return Battery(
        open_circuit_v=cell.open_circuit_v * cells,
        resistance_ohm=cell.resistance_ohm * cells,
        slow_resistance_ohm=cell.slow_resistance_ohm * cells,
        slow_time_s=cell.slow_time_s,
        volts_per_coulomb=cell.volts_per_coulomb * cells,
    )
