"""What is taken down beside the telemetry while a part of a case goes on: edges, loop periods, sampled outputs.

Edges and periods are recorded on board and sent afterwards as block messages, since no port is fast enough for them.
Samples come as they are taken. What the firmware is made to do meanwhile (one emitter alone, something that may hold up
its loop) is asked for here too. What goes on until it is called off is called off at the end of its part, and where the
part is left by an error or Ctrl-C at the end of the case: stopping the robot comes first.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from hil.engine.bench import Bench
from hil.engine.collecting import collect
from hil.engine.driving import take_in
from hil.engine.robot_line import RobotLine
from hil.errors import RobotRefused
from hil.plan.bench_problems import words_of
from hil.spec.bench_values import Taken
from hil.wire.dialect import Dialect
from hil.wire.fields import Value

RECORD = {Taken.EDGES: "record.edges", Taken.TICKS: "record.ticks"}
ALL_EMITTERS = "all"
LEVELS = ("encoder.left.levels", "encoder.right.levels")
_SAMPLING_S = 0.001  # where the protocol does not say how far its samples are apart
_LONGER_S = 0.5  # a recording lasts so much longer than its part, and is ended by sending it
_DUMP_S = 60.0  # a recording that fills the memory takes half of it at 115200 baud
_STANDING_S = 4.0  # in which wheels come to rest and the robot will send what it recorded
_AGAIN_S = 0.2
_QUESTION = "identify"
_SLOWEST_S = 1.0  # a period of printing that is waited for; what is told more seldom hardly changes
_PERIODS = 1.25  # of the slowest line: one that was begun before has come then


def out_of_the_way(line: RobotLine) -> None:
    """Take in all that the robot said of how things stood before: a line that was begun then may be on its way.

    A robot that can be asked is asked who it is, since its answer travels behind all that it said before. What comes
    from one that cannot is waited for.
    """
    take_in(line)
    if not line.is_untethered:
        if _QUESTION in line.dialect.commands:
            line.ask(_QUESTION)
        periods = [one.period_s for one in line.dialect.messages if 0 < one.period_s <= _SLOWEST_S]
        line.pause(_PERIODS * max(periods, default=0.0))


class Taking:
    """Has things taken down and done for the parts of one case."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._to_call_off: dict[str, dict[str, Value]] = {}  # commands, by their names

    @contextmanager
    def taken(self, takes: Taken, duration_s: float) -> Iterator[None]:
        """Have it taken down for a part of so long; what is recorded on board is sent by `send_recording`."""
        line = self._bench.line
        if takes in RECORD:
            line.session.ask(RECORD[takes], {"duration": duration_s + _LONGER_S})
        if takes is Taken.LEVELS and "sample" in line.dialect.commands:
            self._to_call_off["sample"] = {"period": 0.0}
            line.session.ask("sample", {"period": sampling_s(line.dialect)})
        yield
        self.call_off("sample")

    def provoke(self, provocation: str, duration_s: float) -> None:
        """Have something done that may hold up the loop, for so long; nothing for ""."""
        if provocation:
            session = self._bench.session
            session.ask("provoke", provoking(session.dialect, provocation, duration_s))

    @contextmanager
    def fired(self, emitter: str) -> Iterator[None]:
        """Have the emitter of one sensor fired alone; "" leaves them as they are."""
        if emitter:
            self._to_call_off["emit"] = {"channel": ALL_EMITTERS}
            self._bench.line.ask("emit", {"channel": emitter})
        yield
        self.call_off("emit")

    def call_off(self, *actions: str) -> None:
        """Call off what goes on still: these actions, or all."""
        for action in actions or tuple(self._to_call_off):
            values = self._to_call_off.pop(action, None)
            if values is not None:
                self._bench.line.ask(action, values)

    def send_recording(self, takes: Taken) -> str:
        """Have the robot send what it recorded; return why it is not whole, "" where it is or nothing was recorded."""
        if takes not in RECORD:
            return ""
        end_s = self._bench.clock.monotonic_ns() / 1e9 + _STANDING_S
        while True:
            try:
                return collect(self._bench, takes.value, _DUMP_S).reason
            except RobotRefused:
                if self._bench.clock.monotonic_ns() / 1e9 > end_s:
                    raise
                self._bench.line.pause(_AGAIN_S)  # its wheels still turn


def provoking(dialect: Dialect, provocation: str, duration_s: float) -> dict[str, Value]:
    """Return the values of the command `provoke`; the word as the protocol has it, hyphens and blanks alike."""
    command, plain = dialect.commands["provoke"], provocation.replace("-", " ")
    word = next((one for one in words_of(command, "name") if one.replace("-", " ") == plain), provocation)
    has_duration = any(field.name == "duration" for field in command.fields)
    return {"name": word, "duration": duration_s} if has_duration else {"name": word}


def sampling_s(dialect: Dialect) -> float:
    """Return the time between two samples of the encoders' outputs."""
    for message in dialect.messages:
        if message.sample_s and any(field.name in LEVELS for field in message.fields):
            return message.sample_s
    return _SAMPLING_S
