"""The settings of a firmware, read back before the first case and after the last, and what is to be said of them.

A robot whose settings changed in a run is another robot afterwards, and one whose settings are not those of its file is
not the one that was described. What was read stands in the trace, so that a run judged again says the same. A setting
that a case changed and gave back is none that changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from hil.engine.recorder import Recorder
from hil.engine.robot_line import RobotLine
from hil.engine.session import readable
from hil.errors import BenchError, NoReply, PortLost, PortSilent, RobotRefused
from hil.measure.trace import Mark, MarkKind, TraceRecord
from hil.results import SettingRead
from hil.spec.robot_values import RobotFile, Setting

SETTINGS = "settings"  # the step of the notes in a trace that say what was read
BEFORE, AFTER = "before", "after"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What was read at one moment: values by setting, why others could not be, and the program that was asked."""

    values: Mapping[str, float]
    unread: Mapping[str, str]
    program: str


def settings_answer(answer: str, name: str) -> float:
    """Read the robot's answer to `get`: the value is its last word."""
    try:
        value = float(answer.split()[-1])
    except (ValueError, IndexError):
        value = math.nan
    if not math.isfinite(value):
        raise BenchError(
            f"the robot answered '{readable(answer)[:40]}' to the question for the setting '{name}'",
            expected="a number",
            todo="Check the setting's name against the firmware",
        )
    return value


def read_settings(line: RobotLine, robot: RobotFile, recorder: Recorder, moment: str) -> Reading | None:
    """Read every setting of the robot file and note it in the trace; None where there are none to be read.

    Raises `PortLost` where the port went away for good; what a robot does not tell is noted and no error.
    """
    program = line.program
    if not robot.settings or program is None or "get" not in line.dialect.commands:
        return None
    values: dict[str, float] = {}
    unread: dict[str, str] = {}
    for name in robot.settings:
        try:
            values[name] = settings_answer(line.ask("get", {"name": name}), name)
        except PortLost:
            raise
        except RobotRefused as error:
            unread[name] = error.what
        except (NoReply, PortSilent) as error:  # asking for the others would only take long
            unread.update({other: error.what for other in robot.settings if other not in values})
            break
        except BenchError as error:
            unread[name] = error.what
    recorder.note(SETTINGS, moment, {"values": values, "unread": unread, "program": program.name})
    return Reading(values=values, unread=unread, program=program.name)


def readings_in(records: Iterable[TraceRecord]) -> dict[str, Reading]:
    """Return what was read by moment, from the notes of a trace."""
    found: dict[str, Reading] = {}
    for record in records:
        if isinstance(record, Mark) and record.kind is MarkKind.NOTE and record.step == SETTINGS:
            fields: dict[str, Any] = dict(record.fields)
            found[record.name] = Reading(
                values={str(name): float(value) for name, value in fields["values"].items()},
                unread={str(name): str(why) for name, why in fields.get("unread", {}).items()},
                program=str(fields.get("program", "")),
            )
    return found


def settings_read(readings: Mapping[str, Reading], settings: Mapping[str, Setting]) -> tuple[SettingRead, ...]:
    """Return the settings of a run as its result holds them, in the order of the robot file; none where none was read.

    What another program answered at the end is left out: its settings are others.
    """
    before, after = readings.get(BEFORE), readings.get(AFTER)
    if before is None:
        return ()
    later = after.values if after is not None and after.program == before.program else {}
    return tuple(
        SettingRead(
            name=name,
            unit=setting.unit,
            lowest=setting.lowest,
            highest=setting.highest,
            before=before.values.get(name),
            after=later.get(name),
        )
        for name, setting in settings.items()
    )


def settings_notes(
    readings: Mapping[str, Reading], settings: Mapping[str, Setting], *, was_cut_short: bool = False
) -> list[str]:
    """Say which settings changed in a run, which could not be read, and which lie outside of their range."""
    before, after = readings.get(BEFORE), readings.get(AFTER)
    if before is None:
        return []
    notes = _unread(before, after)
    if after is None:
        if not was_cut_short:
            notes.append("The settings were not read back at the end, so whether they changed is not known.")
    elif after.program != before.program:
        notes.append(
            f"The settings were read from the program '{before.program}' before the run, and at the end "
            f"'{after.program}' was loaded; they are not compared."
        )
    for one in settings_read(readings, settings):
        notes += _changed(one)
        notes += _out_of_range(one)
    return notes


def _unread(before: Reading, after: Reading | None) -> list[str]:
    """Say what could not be read, settings with the same reason together."""
    notes = []
    for reading, when in ((before, "before the run"), (after, "after it")):
        by_reason: dict[str, list[str]] = {}
        for name, why in (reading.unread if reading is not None else {}).items():
            by_reason.setdefault(why.replace(f" to the question for the setting '{name}'", ""), []).append(name)
        for why, names in by_reason.items():
            which = "The setting" if len(names) == 1 else "The settings"
            notes.append(f"{which} {', '.join(names)} could not be read {when}: {why}.")
    return notes


def _changed(one: SettingRead) -> list[str]:
    if one.before is None or one.after is None or one.before == one.after:
        return []
    was, now = _with_unit(one.before, one.unit), _with_unit(one.after, one.unit)
    return [f"{one.name} was {was} before the run and {now} after it."]


def _out_of_range(one: SettingRead) -> list[str]:
    """Say it once for a value that stayed as it was."""
    values = dict.fromkeys(value for value in (one.before, one.after) if value is not None)
    span = f"{one.lowest:g} to {_with_unit(one.highest, one.unit)}"
    return [
        f"{one.name} is {_with_unit(value, one.unit)}, outside of the {span} that the robot file allows."
        for value in values
        if not one.lowest <= value <= one.highest
    ]


def _with_unit(value: float, unit: str) -> str:
    return f"{value:.10g} {unit}".rstrip()
