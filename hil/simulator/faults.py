"""Faults that a virtual robot can be given: names, units, bounds, and what each does to the truth.

A fault is written `name=value`, such as `wheel-mismatch=0.5 %`. Refused, with a sentence: an unknown name, a value
without its unit, one out of bounds, a channel that the robot has not, and the same name twice.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import Enum

from hil.errors import UsageError
from hil.quantities import QuantityError, quantity_in
from hil.simulator.parameters import EncoderTruth, Truth, with_geometry
from hil.simulator.sight import opposite
from hil.vocabulary import CHANNELS

FaultValue = float | str | bool
SIDES = ("left", "right")


class FaultKind(Enum):
    """What the value of a fault is."""

    SHARE = "share"  # written in per cent, kept as a plain share
    NUMBER = "number"  # in the unit of the table
    SWITCH = "switch"  # on or off
    CHANNEL = "channel"  # the name of a wall sensor
    SIDE = "side"  # left or right


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSpec:
    """One row of the table. `lowest` and `highest` are in `unit`; `example` is a value as it is written."""

    name: str
    kind: FaultKind
    unit: str
    lowest: float
    highest: float
    example: str
    meaning: str
    apply: Callable[[Truth, FaultValue], Truth]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault asked for: `value` is a share, a number in the unit of the table, a truth value or a channel."""

    name: str
    value: FaultValue
    text: str = ""


def parse_fault(text: str) -> Fault:
    """Read `name=value`; raise `UsageError` where it is not a fault."""
    name, separator, written = (part.strip() for part in text.partition("="))
    if name not in FAULTS:
        near = difflib.get_close_matches(name, FAULTS, n=1, cutoff=0.5)
        raise UsageError(
            f"there is no fault named {name!r}" + (f" (did you mean {near[0]}?)" if near else ""),
            where=f"--fault {text}",
            expected=f"one of {', '.join(sorted(FAULTS))}",
        )
    spec = FAULTS[name]
    if not separator or not written:
        raise UsageError(
            f"the fault {name} has no value", where=f"--fault {text}", expected=f"such as '{name}={spec.example}'"
        )
    return Fault(name=name, value=_value(spec, written, text), text=f"{name}={written}")


def parse_faults(texts: Iterable[str]) -> tuple[Fault, ...]:
    """Read several faults; raise `UsageError` where one is wrong or given twice."""
    faults: dict[str, Fault] = {}
    for text in texts:
        fault = parse_fault(text)
        if fault.name in faults:
            raise UsageError(
                f"the fault {fault.name} is given twice",
                where=f"--fault {text}",
                expected=f"it once; it was already given as '{faults[fault.name].text}'",
            )
        faults[fault.name] = fault
    return tuple(faults.values())


def apply_faults(truth: Truth, faults: Iterable[Fault]) -> Truth:
    """Return `truth` with the faults put in; raise `UsageError` where the robot has not the channel asked for."""
    for fault in faults:
        truth = FAULTS[fault.name].apply(truth, fault.value)
    return truth


def _value(spec: FaultSpec, written: str, text: str) -> FaultValue:
    where = f"--fault {text}"
    if spec.kind is FaultKind.SWITCH:
        if written not in ("on", "off"):
            raise UsageError(f"{written!r} is no position of a switch", where=where, expected="on or off")
        return written == "on"
    if spec.kind is FaultKind.SIDE:
        if written not in SIDES:
            raise UsageError(f"{written!r} is no side", where=where, expected=" or ".join(SIDES))
        return written
    if spec.kind is FaultKind.CHANNEL:
        return _channel(written, where)
    try:
        value = quantity_in(written, spec.unit)
    except QuantityError as error:
        raise UsageError(str(error), where=where, expected=f"such as '{spec.name}={spec.example}'") from None
    if not spec.lowest <= value <= spec.highest:
        bounds = f"{spec.lowest:g} to {spec.highest:g} {spec.unit}".strip()
        raise UsageError(f"{written} is out of bounds", where=where, expected=f"a value from {bounds}")
    return value / 100 if spec.kind is FaultKind.SHARE else value


def _channel(written: str, where: str) -> str:
    sensors = [name for name in CHANNELS if name.startswith("wall.") and not name.endswith(".dark")]
    if written in sensors:
        return written
    near = difflib.get_close_matches(written, sensors, n=1, cutoff=0.5)
    raise UsageError(
        f"{written!r} is no wall sensor" + (f" (did you mean {near[0]}?)" if near else ""),
        where=where,
        expected=f"one of {', '.join(sensors)}",
    )


def _mismatch(truth: Truth, value: FaultValue) -> Truth:
    return with_geometry(truth, wheel_mismatch=float(value))


def _base(truth: Truth, value: FaultValue) -> Truth:
    return with_geometry(truth, wheel_base_error=float(value))


def _diameter(truth: Truth, value: FaultValue) -> Truth:
    return with_geometry(truth, mean_diameter_error=float(value))


def _need_sensor(truth: Truth, channel: str, name: str) -> None:
    channels = [sensor.channel for sensor in truth.sensors]
    if channel not in channels:
        raise UsageError(
            f"the robot {truth.robot.name} has no sensor {channel}",
            where=f"--fault {name}",
            expected=f"one of {', '.join(channels) or 'none: it has no wall sensors'}",
        )


def _gain(channel: str, name: str) -> Callable[[Truth, FaultValue], Truth]:
    def apply(truth: Truth, value: FaultValue) -> Truth:
        _need_sensor(truth, channel, name)
        sensors = tuple(
            replace(sensor, drift=float(value)) if sensor.channel == channel else sensor for sensor in truth.sensors
        )
        return replace(truth, sensors=sensors)

    return apply


def _dead(truth: Truth, value: FaultValue) -> Truth:
    _need_sensor(truth, str(value), "dead-sensor")
    sensors = tuple(replace(sensor, dead=sensor.dead or sensor.channel == value) for sensor in truth.sensors)
    return replace(truth, sensors=sensors)


def _surface(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, surface_gain=float(value))


def _crosstalk(truth: Truth, value: FaultValue) -> Truth:
    # On top of what a good robot has, so that the fault is what the readings gain by it.
    stray = truth.stray
    return replace(truth, stray=replace(stray, own=stray.own + float(value), neighbour=stray.neighbour + float(value)))


def _ambient(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, room=replace(truth.room, ambient=float(value)))


def _swapped(truth: Truth, value: FaultValue) -> Truth:
    for sensor in truth.sensors:
        if "left" in sensor.channel or "right" in sensor.channel:
            _need_sensor(truth, opposite(sensor.channel), "swapped-sensors")
    return replace(truth, swapped_sensors=bool(value))


def _battery(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, battery=replace(truth.battery, resistance_ohm=float(value)))


def _grip(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, drive=replace(truth.drive, grip=float(value)))


def _drops(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, encoders=replace(truth.encoders, dropped_right=float(value)))


def _duty(truth: Truth, value: FaultValue) -> Truth:
    more, encoders = float(value) - EncoderTruth().duty, truth.encoders
    left, right = (replace(one, duty=one.duty + more) for one in (encoders.left, encoders.right))
    return replace(truth, encoders=replace(encoders, left=left, right=right))


def _phase(truth: Truth, value: FaultValue) -> Truth:
    more, encoders = float(value) / 360 - EncoderTruth().phase, truth.encoders
    left, right = (replace(one, phase=one.phase + more) for one in (encoders.left, encoders.right))
    return replace(truth, encoders=replace(encoders, left=left, right=right))


def _run_out(truth: Truth, value: FaultValue) -> Truth:
    right = replace(truth.encoders.right, run_out_mm=truth.encoders.right.run_out_mm + float(value))
    return replace(truth, encoders=replace(truth.encoders, right=right))


def _reversed(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, drive=replace(truth.drive, **{f"reversed_{value}": True}))


def _late(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, firmware=replace(truth.firmware, front_trigger_late_mm=float(value)))


def _reset(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, firmware=replace(truth.firmware, front_reset=bool(value)))


def _pause(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, firmware=replace(truth.firmware, loop_pause_s=float(value) / 1000))


def _lost(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, wire=replace(truth.wire, lost_bytes=float(value)))


def _flipped(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, wire=replace(truth.wire, flipped_bits=float(value)))


def _gone(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, wire=replace(truth.wire, port_lost_at_s=float(value)))


def _returns(truth: Truth, value: FaultValue) -> Truth:
    return replace(truth, wire=replace(truth.wire, port_returns_s=float(value)))


def _table() -> dict[str, FaultSpec]:
    share, number = FaultKind.SHARE, FaultKind.NUMBER
    rows = [
        ("wheel-mismatch", share, "%", -5, 5, "0.5 %", "the right wheel is larger than the left", _mismatch),
        ("wheel-base", share, "%", -10, 10, "2 %", "the wheels stand wider apart than the firmware thinks", _base),
        ("mean-diameter", share, "%", -10, 10, "1 %", "both wheels are larger than the firmware thinks", _diameter),
        ("sensor-gain-left", number, "", 0.1, 1.5, "0.9", "gain of the left sensor over that at its calibration",
         _gain("wall.left", "sensor-gain-left")),
        ("sensor-gain-right", number, "", 0.1, 1.5, "0.9", "gain of the right sensor over that at its calibration",
         _gain("wall.right", "sensor-gain-right")),
        ("surface-gain", number, "", 0.1, 1.5, "0.75", "reflectance of the walls over that at the calibration",
         _surface),
        ("crosstalk", share, "%", 0, 50, "5 %", "emitters throw so much of a wall's reading straight into detectors",
         _crosstalk),
        ("ambient", share, "%", 0, 100, "30 %", "share of the full scale that lamps add, some of it flickering",
         _ambient),
        ("swapped-sensors", FaultKind.SWITCH, "", 0, 1, "on", "whether the left and right wall sensors are swapped",
         _swapped),
        ("front-trigger", number, "mm", -20, 20, "10 mm", "the front wall is taken so much too late", _late),
        ("front-reset", FaultKind.SWITCH, "", 0, 1, "off", "whether a front wall corrects a straight", _reset),
        ("loop-pause", number, "ms", 0, 200, "20 ms", "the control loop stands still so long, about once a second",
         _pause),
        ("battery-resistance", number, "ohm", 0, 10, "2 ohm", "internal resistance of the battery", _battery),
        ("grip", number, "", 0.05, 3, "0.3", "friction coefficient of the tyres", _grip),
        ("drop-counts-right", share, "%", 0, 20, "1 %", "share of the right encoder's edges that get lost", _drops),
        ("encoder-duty", share, "%", 10, 90, "60 %", "share of a cycle in which an encoder's output is high", _duty),
        ("encoder-phase", number, "deg", 10, 170, "120 deg", "how far output B of the encoders is behind A", _phase),
        ("run-out", number, "mm", 0, 1, "0.1 mm", "how far the right encoder's disc stands off its axis", _run_out),
        ("reversed-motor", FaultKind.SIDE, "", 0, 0, "left", "the motor whose wires are swapped", _reversed),
        ("dead-sensor", FaultKind.CHANNEL, "", 0, 0, "wall.left", "a wall sensor that reads its dark level, always",
         _dead),
        ("lost-bytes", share, "%", 0, 50, "0.1 %", "share of bytes lost on the line, both ways", _lost),
        ("flipped-bits", share, "%", 0, 10, "0.01 %", "share of bits flipped on the line, both ways", _flipped),
        ("port-lost-at", number, "s", 0, 86400, "12 s", "the port goes away so long after it was opened", _gone),
        ("port-returns", number, "s", 0, 3600, "2 s", "a port that went away comes back under another name after that",
         _returns),
    ]  # fmt: skip
    return {
        name: FaultSpec(
            name=name, kind=kind, unit=unit, lowest=low, highest=high, example=example, meaning=meaning, apply=apply
        )
        for name, kind, unit, low, high, example, meaning, apply in rows
    }


FAULTS: dict[str, FaultSpec] = _table()
