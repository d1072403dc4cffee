"""The recorder: everything into the trace at once, and a bound on what one case may hold in memory."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.engine import recorder as module
from hil.engine.recorder import Recorder
from hil.errors import BenchError
from hil.measure.trace import Direction, PortEntry
from hil.store.trace import TraceReader, TraceWriter
from hil.timing import FakeClock


def test_flood_ends_in_a_sentence_and_what_came_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_BYTES", 10_000)
    clock = FakeClock()
    with TraceWriter(tmp_path / "trace.sqlite", clock) as writer:
        writer.add_port(PortEntry(name="port", url="port", protocol="tagged-lines"))
        recorder = Recorder(writer, clock)
        for _ in range(2):
            recorder.forget()  # a new case begins to count anew
            for _ in range(10):
                recorder.chunk("port", Direction.IN, b"x" * 1000)
        with pytest.raises(BenchError, match="came in one case"):
            recorder.chunk("port", Direction.IN, b"y")
        assert len(recorder.records) == 10
    with TraceReader(tmp_path / "trace.sqlite") as reader:
        assert len(list(reader)) == 21
