"""The line to one program of a robot, over all ports that it came and went by, while a trace is read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from hil.measure.unwrapping import RobotClock
from hil.wire.dialect import Dialect, Role
from hil.wire.link import End, Link

LEAST_STEP_S = 1e-6  # between two lines of a robot without a clock that were handed over at once


@dataclass(slots=True, eq=False)
class ProgramLine:
    """The line to one program: its link, its clock, and what it told last."""

    dialect: Dialect
    link: Link
    clock: RobotClock
    moduli: Mapping[tuple[str, str], float]
    restarts: int = 0
    host_s: float = -math.inf
    heard: float | None = None  # the robot's clock as it was told last

    def stamp(self, host_s: float) -> float:
        """Return a time no earlier than that of the line before."""
        self.host_s = max(host_s, self.host_s + LEAST_STEP_S)
        return self.host_s


def new_line(dialect: Dialect) -> ProgramLine:
    """Return the line to a program that was not heard yet."""
    clocks = [
        spec.modulus * abs(spec.scale)
        for message in dialect.messages
        for spec in message.fields
        if spec.name == dialect.clock_field
    ]
    moduli = {
        (message.name, spec.name): spec.modulus * abs(spec.scale)
        for message in dialect.messages
        if message.role in (Role.TELEMETRY, Role.ROW)
        for spec in message.fields
        if spec.modulus and spec.name not in (dialect.clock_field, dialect.sequence_field)
    }
    return ProgramLine(
        dialect=dialect,
        link=Link(dialect, End.HOST),
        clock=RobotClock(modulus=max(clocks, default=0.0)),
        moduli=moduli,
    )


def period_s(dialect: Dialect, message: str) -> float:
    """Return the period at which a message is printed unasked, 0 where it is not."""
    return next((spec.period_s for spec in dialect.messages if spec.name == message), 0.0)
