"""What the firmware takes down of encoders and loop when it is asked to, and the encoders' outputs as it samples them.

Edges come with the time of a capture timer, 1 us, and the outputs just after them; periods are those between two
beginnings of the control loop. Memory is bounded: when it is full the rest is counted and not kept. Another recording
of the same kind begins anew, and a power cycle loses all. A recording of edges ends with the spin that it was made in:
what wheels do that come to rest is not wanted. Outputs are sampled by a timer of its own, whatever holds the loop, and
told as many to a line as its message takes; while a block is sent none are told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial

from hil.simulator.channels import Filled, Filling
from hil.simulator.firmware.body import TICK_S
from hil.simulator.firmware.holds import TaskTimes
from hil.simulator.firmware.settings import Refusal
from hil.simulator.firmware.task import Firmware
from hil.simulator.logbook import Row
from hil.simulator.plant import Plant
from hil.wire.dialect import Dialect, MessageSpec, Role
from hil.wire.fields import Value
from hil.wire.link import Link

EDGES, TICKS = "edges", "ticks"
ROOM_EDGES, ROOM_PERIODS = 4096, 8192
LONGEST_S = 60.0  # of a recording, and of what is provoked
_ON_A_LINE = 20  # values
_PERIODS = "loop.periods"
_EDGES = ("encoder.left.edge", "encoder.right.edge")
_LEVELS = ("encoder.left.levels", "encoder.right.levels")
_SAMPLE = "sample"


@dataclass(slots=True)
class _Memory:
    """One kind of recording: what is kept [(time, channel, value)], how many there were, and until when it goes on."""

    room: int
    kept: list[tuple[float, str, float]] = field(default_factory=list)
    seen: int = 0
    until_s: float = 0.0

    def begin(self, until_s: float) -> None:
        self.kept, self.seen, self.until_s = [], 0, until_s

    def take(self, time_s: float, channel: str, value: float) -> None:
        self.seen += 1
        if len(self.kept) < self.room:
            self.kept.append((time_s, channel, value))


class Recorder:
    """Records and samples for one program. `tell` sends a line of telemetry: name of the message, values."""

    def __init__(
        self,
        dialect: Dialect,
        filling: Filling,
        *,
        plant: Plant,
        firmware: Firmware,
        times: TaskTimes,
        tell: Callable[[str, Mapping[str, Value]], None],
    ) -> None:
        self._plant, self._firmware, self._times, self._tell = plant, firmware, times, tell
        self._memories = {EDGES: _Memory(ROOM_EDGES), TICKS: _Memory(ROOM_PERIODS)}
        self._rows = {block.name: _by_channel(dialect, block.rows) for block in dialect.blocks}
        asked = [spec for spec in dialect.messages if spec.role is Role.TELEMETRY and spec.asked_by == _SAMPLE]
        self._sampled = asked[0] if asked else None
        self._around: Filled = filling.fill(asked[0], without=_LEVELS) if asked else ()
        self._was_spinning = False
        self._is_sampling = False
        self._samples: list[tuple[int, int]] = []
        self._samples_ticks = 0

    # What is asked for

    def sample(self, period_s: float) -> None:
        """Send outputs as sampled, or none (0); raise `Refusal` for another period than the message's."""
        if self._sampled is None:
            raise Refusal("unknown-request")
        if period_s and abs(period_s - max(self._sampled.sample_s, TICK_S)) > TICK_S / 2:
            raise Refusal("out-of-range")
        self._is_sampling = period_s > 0
        self._samples, self._samples_ticks = [], 0

    def record(self, what: str, duration_s: float, now_s: float) -> None:
        """Begin to take down "edges" or "ticks"; raise `Refusal` where that cannot be."""
        if what not in self._rows:
            raise Refusal("unknown-request")
        if not 0 < duration_s <= LONGEST_S:
            raise Refusal("out-of-range")
        self._memories[what].begin(now_s + duration_s)
        if what == TICKS:
            self._times.forget()

    def provoke(self, name: str, duration_s: float, now_s: float) -> None:
        """Do something that may hold up the loop, again and again for so long, or once (0)."""
        if not 0 <= duration_s <= LONGEST_S:
            raise Refusal("out-of-range")
        self._times.provoke(name, duration_s, now_s)

    # One millisecond

    def tick(self, now_s: float, *, runs: bool, tells: bool) -> None:
        """Take a tick that ends at `now_s`; `runs`: the task was let run in it, `tells`: it may send."""
        ticks = self._memories[TICKS]
        if now_s <= ticks.until_s or self._times.is_provoked:
            period_s = self._times.begin(now_s, runs=runs, drives=self._firmware.is_moving)
            if period_s is not None:
                self._firmware.longest_period_s = max(self._firmware.longest_period_s, period_s)
                if now_s <= ticks.until_s:
                    ticks.take(self._times.begun_s, _PERIODS, period_s)
        edges = self._memories[EDGES]
        if self._was_spinning and not self._firmware.is_spinning:
            edges.until_s = 0.0
        self._was_spinning = self._firmware.is_spinning
        if now_s <= edges.until_s:
            self._take_edges(edges, now_s)
        if self._is_sampling:
            self._take_outputs(tells=tells)

    def _take_edges(self, memory: _Memory, now_s: float) -> None:
        left, right = self._plant.edges()
        passed = [(share, channel, after) for channel, edges in zip(_EDGES, (left, right), strict=True)
                  for share, after in edges]  # fmt: skip
        for share, channel, after in sorted(passed):
            memory.take(now_s - TICK_S + share * TICK_S, channel, after)

    def _take_outputs(self, *, tells: bool) -> None:
        spec = self._sampled
        if spec is None or not tells:
            self._samples, self._samples_ticks = [], 0
            return
        self._samples_ticks += 1
        if self._samples_ticks < round(max(spec.sample_s, TICK_S) / TICK_S):
            return
        self._samples_ticks = 0
        self._samples.append(self._plant.encoder_outputs)
        repeated = {one.name: bool(one.repeated_by) for one in spec.fields if one.name in _LEVELS}
        if len(self._samples) < (_ON_A_LINE if any(repeated.values()) else 1):
            return
        values: dict[str, Value] = {name: get() for name, get in self._around}
        for name, several in zip(_LEVELS, zip(*self._samples, strict=True), strict=True):
            if name in repeated:
                values[name] = several if repeated[name] else several[-1]
        self._samples = []
        self._tell(spec.name, values)

    # What is sent

    def rows(self, what: str, link: Link) -> list[Row]:
        """End the recording and return its rows, each written as the protocol has it when its turn comes."""
        memory, messages = self._memories[what], self._rows.get(what, {})
        memory.until_s = 0.0
        if what == EDGES:
            return [
                partial(link.row, what, messages[channel].name, {"time": time_s, channel: value})
                for time_s, channel, value in memory.kept
                if channel in messages
            ]
        spec = messages.get(_PERIODS)
        if spec is None:
            return []
        size = _ON_A_LINE if any(one.repeated_by for one in spec.fields) else 1
        lines = [memory.kept[at : at + size] for at in range(0, len(memory.kept), size)]
        return [
            partial(link.row, what, spec.name, {"time": line[-1][0], _PERIODS: tuple(value for *_, value in line)})
            if size > 1
            else partial(link.row, what, spec.name, {"time": line[-1][0], _PERIODS: line[-1][2]})
            for line in lines
        ]

    def told(self, what: str) -> str:
        """Return how many were kept of how many."""
        memory = self._memories[what]
        return f"{len(memory.kept)} of {memory.seen}"

    @property
    def has_been_held(self) -> bool:
        """Whether the loop's fault held it up while its periods were taken down."""
        return self._times.has_been_held

    def clear(self) -> None:
        """Forget all, as without power."""
        for memory in self._memories.values():
            memory.begin(0.0)
        self._is_sampling = False


def _by_channel(dialect: Dialect, rows: tuple[str, ...]) -> dict[str, MessageSpec]:
    """Return the messages of rows by the channels that they carry."""
    specs = [spec for spec in dialect.messages if spec.name in rows]
    return {one.name: spec for spec in specs for one in spec.fields if one.name != dialect.clock_field}
