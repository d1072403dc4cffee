"""How often a robot is asked to report: as often as its line carries with room left, and no oftener than is useful."""

from __future__ import annotations

import math
import re

from hil.wire.dialect import Dialect, FieldSpec, FieldType, MessageSpec, Role

SHORTEST_S = 0.008  # 125 lines a second: 2.4 mm apart at 0.3 m/s
_SHARE = 0.6  # of the line, so that answers and events find their place between the reports
_USUAL_DIGITS = 4  # of a number whose range the protocol does not tell, most of which are readings of a converter


def stream_period_s(dialect: Dialect) -> float:
    """Return the period to ask for [s], in whole milliseconds: the main report fills at most 60 % of it.

    The main report is the protocol's first message of telemetry; the others come seldom.
    """
    lengths = (_length(message, dialect) for message in dialect.messages if message.role is Role.TELEMETRY)
    needed_s = next(lengths, 0) * dialect.port.bits_per_byte / dialect.port.baud / _SHARE
    return max(SHORTEST_S, math.ceil(needed_s * 1000) / 1000)


def _length(message: MessageSpec, dialect: Dialect) -> int:
    """Return about how long a report is on the line [bytes], its fields at their longest."""
    plain = len(re.sub(r"\{[^}]*\}|[\[\]]", "", message.template))
    check = dialect.check.digits + len(dialect.check.separator) if dialect.check else 0
    return plain + sum(map(_digits, message.fields)) + check + len(dialect.framing.ending)


def _digits(field: FieldSpec) -> int:
    if not field.modulus:
        return _USUAL_DIGITS
    if field.type is FieldType.HEX:
        return len(f"{field.modulus - 1:x}")
    return len(str(field.modulus - 1)) + (field.type is FieldType.SIGNED)
