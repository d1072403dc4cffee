"""The canonical words: channels, actions, events, with unit and meaning. Extend here and nowhere else.

Protocol files map whatever a firmware says to these names; suites, methods and reports know only these.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """A quantity reported over time. `unit` is the unit of the decoded series ("" for a plain number)."""

    name: str
    unit: str
    meaning: str


def _channels() -> dict[str, Channel]:
    rows = [
        ("time", "s", "the robot's own clock, unwrapped"),
        ("sequence", "", "number of a telemetry line or frame; gaps are lost lines"),
        ("encoder.left", "count", "counts of the left wheel, forward positive"),
        ("encoder.right", "count", "counts of the right wheel, forward positive"),
        (
            "encoder.left.levels",
            "",
            "outputs of the left encoder as sampled, added up: 1 channel A high, 2 channel B high",
        ),
        ("encoder.right.levels", "", "outputs of the right encoder as sampled, added up: 1 channel A, 2 channel B"),
        ("encoder.left.edge", "", "outputs of the left encoder just after one of its edges, added up like its levels"),
        (
            "encoder.right.edge",
            "",
            "outputs of the right encoder just after one of its edges, added up like its levels",
        ),
        ("supply.battery", "V", "battery voltage"),
        ("supply.motor", "V", "motor rail voltage"),
        ("supply.current", "A", "current drawn from the battery"),
        ("duty.left", "", "share of the motor supply on the left motor, -1 to 1"),
        ("duty.right", "", "share of the motor supply on the right motor, -1 to 1"),
        ("gyro.yaw", "rad/s", "turn rate, counter-clockwise positive"),
        ("loop.period", "s", "longest period of the control loop since the last report"),
        (
            "loop.periods",
            "s",
            "every period of the control loop, one value a tick; the last one ends at the row's time",
        ),
        ("cell.x", "", "cell the robot believes it is in, east"),
        ("cell.y", "", "cell the robot believes it is in, north"),
        ("cell.walls", "", "walls the robot knows around a cell, added up: 1 north, 2 east, 4 south, 8 west"),
        ("heading", "", "heading the robot believes it has: 0 north, 1 east, 2 south, 3 west"),
        ("tracking", "", "walls the robot steers by: 0 none, 1 left, 2 right, 3 both"),
        ("state", "", "state number of the firmware"),
    ]
    walls = ["left", "right", "front", "front.left", "front.right", "left.diagonal", "right.diagonal"]
    for wall in walls:
        rows.append((f"wall.{wall}", "count", f"raw reading of the {wall.replace('.', ' ')} wall sensor, lit"))
        rows.append((f"wall.{wall}.dark", "count", f"the same sensor with its emitter off ({wall})"))
    return {name: Channel(name=name, unit=unit, meaning=meaning) for name, unit, meaning in rows}


CHANNELS: dict[str, Channel] = _channels()

ACTIONS: dict[str, str] = {
    "identify": "say name, serial number and firmware",
    "stop": "stop the motors now",
    "stream": "send telemetry at a period, or stop sending it",
    "set": "change a setting",
    "get": "read a setting",
    "save": "keep the settings over a power cycle",
    "drive": "drive a path, with speed and wall tracking",
    "goal": "drive to a cell by the robot's own maze logic",
    "search": "explore the maze",
    "spin": "turn the wheels free at a duty",
    "emit": "fire one emitter alone, or all in turn again",
    "sample": "send the encoders' levels sampled at a period, or stop sending them",
    "record.edges": "take down every edge of the encoders for a time, on board",
    "record.ticks": "take down every period of the control loop for a time, on board",
    "provoke": "do something that may hold up the control loop, by name",
    "dump.log": "send the log kept on board",
    "dump.edges": "send the edges taken down",
    "dump.ticks": "send the periods taken down",
    "dump.map": "send the recorded maze",
    "alive": "tell the robot that somebody is still there",
}

EVENTS: dict[str, str] = {
    "move.begin": "a drive, or one straight of it, begins",
    "move.end": "a straight has ended",
    "turn.begin": "a turn begins",
    "turn.end": "a turn has ended",
    "front.reset": "the front wall ended or corrected a straight",
    "edge.left": "the left wall began or ended",
    "edge.right": "the right wall began or ended",
    "cell": "a new cell was entered",
    "idle": "the drive is finished and the robot stands",
    "fault": "the robot stopped by itself; the detail says why",
    "touched": "the robot touched a wall or was touched",
}

TRACKINGS = ("none", "left", "right", "both")
