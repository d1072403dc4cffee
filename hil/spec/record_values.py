"""Records as plain values: what was found out about a robot on one surface, or on the bench, and when.

A calibration belongs to robot and surface and holds for as long as the robot is the same, the battery is as full and
not too much time has passed. What a record was made with stands in it, so that whoever uses it can tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from hil.measure.model import SensorCalibration
from hil.results import Environment, LoadedFile

CLOCK_ROOM = timedelta(minutes=10)  # what two machines' clocks, or one that was set, may differ by


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One measured value of a record: with its unit, standard uncertainty, and the suite and case that it comes from.

    `run` is the run that it was measured in where that is an earlier one than the record's.
    """

    value: float
    unit: str
    u: float
    of: str = ""
    run: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What is kept of one robot on one surface; `surface` "" is the bench's own (encoders, supply, timing).

    `seed` is of a virtual robot only: another seed is another robot. `firmware` is what the robot said to `identify`
    ("" where it says nothing), `battery_v` its battery at the run's beginning. `run` and `trace` say where all of it
    can be looked up again. `numbers` are what goes into the firmware, by the names of its settings; `settings` what
    was read back from it.
    """

    robot: str
    serial: str
    surface: str
    taken: datetime
    tool: str
    run: str
    trace: str
    seed: int | None = None
    firmware: str = ""
    battery_v: float | None = None
    environment: Environment = field(default_factory=Environment)
    sensors: Mapping[str, SensorCalibration] = field(default_factory=dict)
    values: Mapping[str, Value] = field(default_factory=dict)
    numbers: Mapping[str, float] = field(default_factory=dict)
    settings: Mapping[str, float] = field(default_factory=dict)
    loaded: LoadedFile | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Validity:
    """How long a record holds: its age, and how far the battery may be from what it was (a share).

    Emitters get weaker with use by a few per cent in a thousand hours and by a per cent a degree, so that a month with
    other weather is as long as a calibration to 5 % can be trusted; emitters on an unregulated battery follow it
    (common practice, no source; both can be changed in the robot file, by `records`).
    """

    age: timedelta = timedelta(days=30)
    battery_share: float = 0.1


def why_stale(
    record: Record, *, now: datetime, firmware: str, battery_v: float | None, seed: int | None, validity: Validity
) -> str:
    """Return why a record does not hold any more, in words that end a sentence, or "" where it does."""
    if record.seed != seed:
        was = "a real robot" if record.seed is None else f"the virtual robot of seed {record.seed}"
        return f"it is of {was}"
    age = now - record.taken
    if age > validity.age:
        return f"it is {age.days} days old, and records are good for {validity.age.days} days"
    if age < -CLOCK_ROOM:
        return f"it is dated {record.taken:%Y-%m-%d %H:%M}, which is yet to come; is the machine's clock right?"
    if record.firmware and firmware and record.firmware != firmware:
        return f"it was taken with the firmware '{record.firmware}', and the robot now says '{firmware}'"
    if record.battery_v and battery_v and abs(battery_v / record.battery_v - 1) > validity.battery_share:
        return (
            f"it was taken at {record.battery_v:.2f} V of battery, which is now at {battery_v:.2f} V "
            f"(records are good for {validity.battery_share:.0%} of difference)"
        )
    return ""
