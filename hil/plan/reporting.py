"""How often a robot reports a drive, and by whose clock: what its protocol says and its line carries.

A robot that is asked to report is asked as often as its line carries with room left, and no oftener than is useful. One
that prints by itself does so at the period of its protocol, or as slowly as its line makes it. How often a log on board
is written is told by no protocol; it is taken to be as often as is useful.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from hil.spec.robot_values import Program
from hil.wire.dialect import Dialect, FieldSpec, FieldType, MessageSpec, Role

SHORTEST_S = 0.008  # 125 lines a second: 2.4 mm apart at 0.3 m/s
_SHARE = 0.6  # of the line, so that answers and events find their place between the reports
_USUAL_DIGITS = 4  # of a number whose range the protocol does not tell, most of which are readings of a converter


@dataclass(frozen=True, slots=True, kw_only=True)
class Reporting:
    """The time between two reports of a drive, and how well the host's clock stands for the robot's.

    `host_u_s` is the standard uncertainty of a moment by the host's clock, 0 where the robot tells its own time;
    `adapter` names what it comes from. `is_printed` says that the robot reports unasked.
    """

    period_s: float = SHORTEST_S
    host_u_s: float = 0.0
    adapter: str = ""
    is_printed: bool = False


def reporting_of(program: Program, dialect: Dialect) -> Reporting:
    """Return how a program reports of its drives."""
    host_u_s = 0.0 if dialect.clock_field else dialect.host_clock.latency_s / math.sqrt(12)
    adapter = "" if dialect.clock_field else dialect.host_clock.adapter
    if not program.cable:
        return Reporting(host_u_s=host_u_s, adapter=adapter)
    printed = [message for message in dialect.messages if message.role is Role.TELEMETRY and message.period_s]
    if printed:
        period_s = min(max(one.period_s, _line_s(one, dialect)) for one in printed)
        return Reporting(period_s=period_s, host_u_s=host_u_s, adapter=adapter, is_printed=True)
    return Reporting(period_s=stream_period_s(dialect), host_u_s=host_u_s, adapter=adapter)


def stream_period_s(dialect: Dialect) -> float:
    """Return the period to ask for [s], in whole milliseconds: the main report fills at most 60 % of it.

    The main report is the protocol's first message of telemetry; the others come seldom.
    """
    times_s = (_line_s(message, dialect) for message in dialect.messages if message.role is Role.TELEMETRY)
    return max(SHORTEST_S, math.ceil(next(times_s, 0.0) / _SHARE * 1000) / 1000)


def _line_s(message: MessageSpec, dialect: Dialect) -> float:
    """Return about how long a report takes the line [s]."""
    return _length(message, dialect) * dialect.port.bits_per_byte / dialect.port.baud


def _length(message: MessageSpec, dialect: Dialect) -> int:
    """Return about how long a report is on the line [bytes], its fields at their longest."""
    plain = len(re.sub(r"\{[^}]*\}|[\[\]]", "", message.template))
    if pairs := message.pairs:
        plain = len(pairs.head) + sum(len(pairs.between + field.key + pairs.equals) for field in message.fields)
    check = dialect.check.digits + len(dialect.check.separator) if dialect.check else 0
    return plain + sum(map(_digits, message.fields)) + check + len(dialect.framing.ending)


def _digits(field: FieldSpec) -> int:
    if not field.modulus:
        return _USUAL_DIGITS
    if field.type is FieldType.HEX:
        return len(f"{field.modulus - 1:x}")
    return len(str(field.modulus - 1)) + (field.type is FieldType.SIGNED)
