"""Everything that happens in a run goes through here: into the trace at once, and into memory for the evidence."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from hil.errors import BenchError
from hil.measure.trace import AnswerGiven, Chunk, Direction, Json, Mark, MarkKind, PortEntry, TraceRecord
from hil.store.trace import TraceWriter
from hil.timing import Clock

# Of one case, held in memory for its evidence: six hours at 115200 baud. A port that sends more is no robot's.
MOST_BYTES = 256 * 1024 * 1024


class Recorder:
    """The one writer of a run's trace; `records` holds what came since the last `forget`, at most `MOST_BYTES`."""

    def __init__(self, writer: TraceWriter, clock: Clock) -> None:
        self._writer = writer
        self._clock = clock
        self.records: list[TraceRecord] = []
        self._bytes = 0
        # By these a trace that is played keeps step: called before a step's begin or end is marked, and told of every
        # mark and answer.
        self.before: Callable[[], None] = _nothing
        self.witness: Callable[[TraceRecord], None] = _nobody

    def forget(self) -> None:
        """Drop the records held in memory; the trace keeps them."""
        self.records = []
        self._bytes = 0

    def port(self, entry: PortEntry) -> None:
        """Enter a port into the trace's table, before its first bytes."""
        self._writer.add_port(entry)

    def chunk(self, port: str, direction: Direction, data: bytes, t_ns: int | None = None) -> None:
        """Keep bytes that crossed a port, stamped now unless they carry their own stamp."""
        stamp = self._clock.monotonic_ns() if t_ns is None else t_ns
        chunk = Chunk(t_ns=stamp, port=port, direction=direction, data=data)
        self._writer.chunk(chunk)
        self._bytes += len(data)
        if self._bytes > MOST_BYTES:
            raise BenchError(
                f"more than {MOST_BYTES // 2**20} MiB came in one case",
                where=port,
                expected="what a serial port of a robot can send",
                todo="See what is at the other end of this port; what came is in the trace",
            )
        self.records.append(chunk)

    def begin(self, step: str, name: str = "", fields: Mapping[str, Json] | None = None) -> None:
        """Mark that a step begins."""
        self.before()
        self._mark(MarkKind.BEGIN, step, name, fields)

    def end(self, step: str, name: str = "", fields: Mapping[str, Json] | None = None) -> None:
        """Mark that a step has ended."""
        self.before()
        self._mark(MarkKind.END, step, name, fields)

    def note(self, step: str, name: str = "", fields: Mapping[str, Json] | None = None) -> None:
        """Mark something that happened in between."""
        self._mark(MarkKind.NOTE, step, name, fields)

    def _mark(self, kind: MarkKind, step: str, name: str, fields: Mapping[str, Json] | None) -> None:
        mark = Mark(t_ns=self._clock.monotonic_ns(), kind=kind, step=step, name=name, fields=dict(fields or {}))
        self._writer.mark(mark)
        self.records.append(mark)
        self.witness(mark)

    def answer(
        self,
        *,
        name: str,
        value: float,
        unit: str,
        u: float,
        case: str,
        repeat: int,
        source: str,
        said: str,
        how: Mapping[str, Json] | None = None,
        corrects: bool = False,
    ) -> None:
        """Keep what a person answered, the value in `unit` with its standard uncertainty, and how it was read."""
        answer = AnswerGiven(
            t_ns=self._clock.monotonic_ns(),
            name=name,
            value=value,
            unit=unit,
            u=u,
            case=case,
            repeat=repeat,
            source=source,
            said=said,
            how=dict(how or {}),
            corrects=corrects,
        )
        self._writer.answer(answer)
        self.records.append(answer)
        self.witness(answer)

    def commit_due(self) -> None:
        """Give the writer a chance to commit; called from every wait."""
        self._writer.commit_due()


def _nothing() -> None:
    """Do nothing."""


def _nobody(record: TraceRecord) -> None:
    """Tell nobody."""
