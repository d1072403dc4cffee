"""Taking over what a robot kept on board: its log as a block message, into the trace as if live.

The robot is asked for it by command where its protocol has one, else a person presses for it. A block that is cut
short, or does not come, is asked for once more, since the first time may have met a busy robot; what came both times
is in the trace. A robot that does not answer in time may be sending all the same, and is listened to for a moment.
"""

from __future__ import annotations

from dataclasses import dataclass

from hil.engine.bench import Bench
from hil.engine.session import RobotSession
from hil.errors import MoveUnfinished, NoReply, RobotRefused, UsageError
from hil.measure.trace import Json
from hil.wire.received import BlockEnded

_LOOK_S = 0.02
_TRIES = 2
_LATE_S = 3.0  # in which a block begins whose request was not answered


@dataclass(frozen=True, slots=True, kw_only=True)
class Collected:
    """What was taken over: how many rows, and why it is not whole ("" where it is)."""

    rows: int
    reason: str


def collect(bench: Bench, what: str, timeout_s: float) -> Collected:
    """Take over the block message `what`; raise `MoveUnfinished` where none came, `UsageError` where there is none."""
    dialect = bench.line.dialect
    if all(block.name != what for block in dialect.blocks):
        raise UsageError(
            f"the protocol {dialect.name} has no block message '{what}'",
            where=f"robot {bench.robot.name}",
            expected=f"one of {', '.join(block.name for block in dialect.blocks) or 'none'}",
        )
    ended: BlockEnded | None = None
    for number in range(1, _TRIES + 1):
        bench.recorder.begin("collect", what, {"try": number})
        try:
            found = bench.line.at_rest(lambda session: _once(bench, session, what, timeout_s))
        except RobotRefused:
            if number == 1:
                raise
            found = None  # it may be sending still what was given up
        fields: dict[str, Json] = {"rows": found.rows, "reason": found.reason} if found else {"reason": "nothing came"}
        bench.recorder.end("collect", what, fields)
        ended = found or ended
        if found is not None and not found.reason:
            break
    if ended is None:
        raise MoveUnfinished(
            f"the robot was asked {_TRIES} times for its {what}, and within {timeout_s:g} s none came",
            where=bench.session.port,
            expected=f"the block message '{what}' of {dialect.name}",
            todo="See whether the robot has kept anything, and whether its firmware speaks this protocol",
        )
    return Collected(rows=ended.rows, reason=ended.reason)


def _once(bench: Bench, session: RobotSession, what: str, timeout_s: float) -> BlockEnded | None:
    """Ask once and wait for the end of the block; None where it does not come."""
    session.listen()
    session.blocks.clear()
    patience_s = timeout_s
    if f"dump.{what}" in session.dialect.commands:
        try:
            session.ask(f"dump.{what}")
        except NoReply:
            patience_s = min(timeout_s, _LATE_S)
    else:
        bench.operator.ask_for_dump(what)
    begun_ns = bench.clock.monotonic_ns()
    while True:
        for block in session.blocks:
            if block.block == what:
                return block
        waited_s = (bench.clock.monotonic_ns() - begun_ns) / 1e9
        if waited_s >= (timeout_s if session.link.open_block else patience_s):
            return None
        session.pump(_LOOK_S)
