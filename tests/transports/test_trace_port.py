"""A trace as a port: what came in comes again, in order, in step with what the host does, lost where it was lost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.errors import HilError, PortLost, PortUnavailable, UsageError
from hil.measure.trace import AnswerGiven, Chunk, Direction, Mark, MarkKind, PortEntry, TraceRecord
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.store.trace import TraceWriter
from hil.timing import FakeClock, SystemClock
from hil.transports import Transport, open_port
from hil.transports.tape import Tape
from hil.transports.trace_port import playing, trace_file
from hil.wire.dialect import Dialect
from hil.wire.link import End, Link

MS = 1_000_000


@pytest.fixture(scope="module")
def dialect() -> Dialect:
    return load_protocol(Catalogue().find(Kind.PROTOCOL, "tagged-lines"))


def came(t_ms: float, data: bytes, port: str = "robot") -> Chunk:
    return Chunk(t_ns=round(t_ms * MS), port=port, direction=Direction.IN, data=data)


def went(t_ms: float, data: bytes, port: str = "robot") -> Chunk:
    return Chunk(t_ns=round(t_ms * MS), port=port, direction=Direction.OUT, data=data)


def mark(t_ms: float, kind: MarkKind, step: str, name: str = "", **fields: str) -> Mark:
    return Mark(t_ns=round(t_ms * MS), kind=kind, step=step, name=name, fields=fields)


def port_mark(t_ms: float, what: str, name: str = "robot", **more: str) -> Mark:
    return mark(t_ms, MarkKind.NOTE, "port", name, what=what, **more)


def recorded(
    folder: Path, records: Sequence[TraceRecord], ports: Sequence[str] = ("robot",), *, is_whole: bool = True
) -> Path:
    writer = TraceWriter(folder / "trace.sqlite", FakeClock())
    for name in ports:
        writer.add_port(PortEntry(name=name, url=name, protocol="tagged-lines", program="main"))
    for record in records:
        if isinstance(record, Chunk):
            writer.chunk(record)
        elif isinstance(record, Mark):
            writer.mark(record)
        else:
            writer.answer(record)
    if is_whole:
        writer.close()
    else:
        writer.commit()
        writer._db.close()
    return folder


@contextmanager
def played(folder: Path, dialect: Dialect, pace: str = "") -> Iterator[tuple[Tape, Transport]]:
    url = f"trace:{folder}{pace}"
    with playing(url, [dialect]) as tape, open_port(url, dialect.port, tape.clock) as port:
        yield tape, port


def taken(port: Transport, timeout_s: float = 1.0) -> list[bytes]:
    """Read until the port gives nothing more."""
    found = []
    while (stamped := port.read(timeout_s)) is not None:
        found.append(stamped.data)
    return found


def requests(dialect: Dialect, *actions: str, first_tag: int = 7) -> list[bytes]:
    link = Link(dialect, End.HOST, first_tag=first_tag)
    return [link.start(action, {}, 0.0).data for action in actions]


def test_what_answers_a_request_does_not_come_before_it(tmp_path: Path, dialect: Dialect) -> None:
    first, second = requests(dialect, "identify", "stop")
    records = [
        came(0, b"boot"),
        went(10, first),
        came(12, b"one"),
        came(13, b"more"),
        went(20, second),
        came(22, b"two"),
    ]
    with played(recorded(tmp_path, records), dialect) as (_, port):
        assert taken(port) == [b"boot"]
        port.write(first)
        assert taken(port) == [b"one", b"more"]
        assert taken(port) == []
        port.write(second)
        assert taken(port) == [b"two"]


def test_chunks_keep_their_spacing_and_begin_now(tmp_path: Path, dialect: Dialect) -> None:
    records = [came(1000, b"a"), came(1008.5, b"b"), came(3000, b"c")]
    before_ns = SystemClock().monotonic_ns()
    with played(recorded(tmp_path, records), dialect) as (tape, port):
        stamps = [stamped.t_ns for _ in records if (stamped := port.read(5.0))]
        assert [stamp - stamps[0] for stamp in stamps] == [0, round(8.5 * MS), 2000 * MS]
        assert 0 <= stamps[0] - before_ns < 5e9
        assert tape.clock.monotonic_ns() >= stamps[-1]
    assert SystemClock().monotonic_ns() - before_ns < 1.9e9, "nothing is waited for in earnest"


def test_an_answer_comes_as_long_after_the_request_as_it_did(tmp_path: Path, dialect: Dialect) -> None:
    # The host of the trace thought for a minute between the line and its question; the one it is played to does not.
    [request] = requests(dialect, "identify")
    records = [came(0, b"boot"), went(60_000, request), came(60_030, b"one")]
    with played(recorded(tmp_path, records), dialect) as (tape, port):
        assert taken(port, 0.01) == [b"boot"]
        asked_ns = tape.clock.monotonic_ns()
        port.write(request)
        assert port.read(0.02) is None
        stamped = port.read(0.02)
        assert stamped is not None
        assert stamped.t_ns - asked_ns == 30 * MS


def test_a_read_takes_no_longer_than_it_may(tmp_path: Path, dialect: Dialect) -> None:
    with played(recorded(tmp_path, [came(0, b"a"), came(250, b"b")]), dialect) as (tape, port):
        assert port.read(0.1) is not None
        began_ns = tape.clock.monotonic_ns()
        assert [port.read(0.1), port.read(0.1)] == [None, None]
        assert tape.clock.monotonic_ns() - began_ns == 200 * MS
        assert port.read(0.1) is not None


def test_signs_of_life_and_requests_sent_again_are_not_waited_for(tmp_path: Path, dialect: Dialect) -> None:
    [alive] = requests(dialect, "alive")
    first, second = requests(dialect, "identify", "stop")
    records = [went(0, first), went(500, first), came(501, b"one"), went(600, alive), came(601, b"more")]
    records += [went(700, second), came(701, b"two")]
    with played(recorded(tmp_path, records), dialect) as (_, port):
        port.write(first)
        assert taken(port) == [b"one", b"more"]
        port.write(alive)
        port.write(first)
        assert taken(port) == []
        port.write(second)
        assert taken(port) == [b"two"]


def test_a_robot_that_prints_unasked_is_waited_with_for_drives_and_answers(tmp_path: Path, dialect: Dialect) -> None:
    given = AnswerGiven(t_ns=30 * MS, name="offset", value=1.0, unit="mm", u=0.5, case="c", repeat=0, source="operator")
    begin, end = (mark(t, kind, "drive", "out") for t, kind in ((10, MarkKind.BEGIN), (20, MarkKind.END)))
    told = mark(5, MarkKind.NOTE, "identify", "anybody")
    records = [came(0, b"rest"), told, begin, came(11, b"drive"), end, came(21, b"still"), given, came(31, b"read")]
    with played(recorded(tmp_path, records), dialect) as (tape, port):
        assert taken(port) == [b"rest"]
        assert tape.waits_for == "the begin of drive out"
        tape.saw(begin)
        assert not tape.is_waiting
        assert taken(port) == [b"drive"]
        assert tape.is_waiting
        tape.saw(end)
        assert taken(port) == [b"still"]
        tape.saw(given)
        assert taken(port) == [b"read"]


def test_the_first_request_of_each_opening_carries_the_number_it_had(tmp_path: Path, dialect: Dialect) -> None:
    [first], [again] = requests(dialect, "identify", first_tag=431), requests(dialect, "identify", first_tag=12)
    records = [port_mark(0, "opened"), went(1, first), came(2, b"x"), port_mark(3, "closed")]
    records += [port_mark(9, "back", "other"), went(10, again, "other")]
    with played(recorded(tmp_path, records, ("robot", "other")), dialect) as (tape, port):
        assert port.first_tag == 431
        port.close()
        with open_port(port.name, dialect.port, tape.clock) as back:
            assert back.first_tag == 12


def test_a_loss_and_a_return_are_played_as_they_were(tmp_path: Path, dialect: Dialect) -> None:
    first, second = requests(dialect, "identify", "identify")
    records: list[TraceRecord] = [port_mark(0, "opened"), went(1, first), came(2, b"one")]
    records += [came(5, b"last"), port_mark(6, "lost", cause="it was pulled out"), port_mark(900, "back", "other")]
    records += [went(901, second, "other"), came(902, b"two", "other"), port_mark(950, "closed", "other")]
    with played(recorded(tmp_path, records, ("robot", "other")), dialect) as (tape, port):
        port.write(first)
        assert [port.read(1.0), port.read(1.0)] != [None, None]
        with pytest.raises(PortLost, match="it was pulled out"):
            port.read(1.0)
        port.close()
        with open_port(port.name, dialect.port, tape.clock) as back:
            assert taken(back) == []
            back.write(second)
            assert taken(back) == [b"two"]
        with pytest.raises(PortUnavailable, match=r"the trace holds no 3\. opening of a port"):
            open_port(port.name, dialect.port, tape.clock)


def test_what_came_before_the_host_closed_is_still_read(tmp_path: Path, dialect: Dialect) -> None:
    records = [port_mark(0, "opened"), came(1, b"a"), came(2, b"b"), port_mark(3, "closed"), port_mark(4, "opened")]
    records += [came(5, b"of the next")]
    with played(recorded(tmp_path, records), dialect) as (tape, port):
        assert port.read(1.0) is not None
        port.close()
        rest = port.read(0.0)
        assert rest is not None
        assert rest.data == b"b"
        with pytest.raises(PortLost, match="closed by this program"):
            port.read(0.0)
        with open_port(port.name, dialect.port, tape.clock) as again:
            assert taken(again) == [b"of the next"]


def test_two_ports_at_once_each_get_their_own(tmp_path: Path, dialect: Dialect) -> None:
    records = [port_mark(0, "opened"), port_mark(0, "opened", "scale")]
    records += [came(1, b"r1"), came(2, b"s1", "scale"), came(3, b"r2"), came(4, b"s2", "scale")]
    with played(recorded(tmp_path, records, ("robot", "scale")), dialect) as (tape, robot):
        scale = open_port(robot.name, dialect.port, tape.clock)
        assert taken(scale) == [b"s1", b"s2"]
        assert taken(robot) == [b"r1", b"r2"]


def test_another_request_than_the_traces_is_never_answered(tmp_path: Path, dialect: Dialect) -> None:
    first, second = requests(dialect, "identify", "stop")
    folder = recorded(tmp_path, [went(0, first), came(1, b"one")])
    refused = pytest.raises(HilError, match=r"in the trace '.*' was asked here, and not '.*'")
    with played(folder, dialect) as (_, port), refused:
        port.write(second)
    (tmp_path / "other").mkdir()
    with played(recorded(tmp_path / "other", [went(0, first), came(1, b"one")]), dialect) as (_, port):
        port.write(first)
        with pytest.raises(PortLost, match=r"the trace ends before '.*' was asked"):
            port.write(second)


def test_a_trace_that_was_cut_off_ends_in_a_loss_and_a_whole_one_in_silence(tmp_path: Path, dialect: Dialect) -> None:
    for name, is_whole in (("whole", True), ("cut", False)):
        (tmp_path / name).mkdir()
        folder = recorded(tmp_path / name, [port_mark(0, "opened"), came(1, b"a")], is_whole=is_whole)
        with played(folder, dialect) as (_, port):
            assert port.read(1.0) is not None
            if is_whole:
                assert port.read(1.0) is None
            else:
                with pytest.raises(PortLost, match="the recording ends here"):
                    port.read(1.0)


def test_played_in_real_time_it_takes_its_time(tmp_path: Path, dialect: Dialect) -> None:
    folder = recorded(tmp_path, [came(0, b"a"), came(120, b"b")])
    began_ns = SystemClock().monotonic_ns()
    with played(folder, dialect, "?pace=real") as (_, port):
        assert port.read(0.01) is not None
        assert port.read(0.02) is None
        assert port.read(1.0) is not None
        assert SystemClock().monotonic_ns() - began_ns >= 120 * MS


def test_a_listener_hears_it_without_asking_and_is_told_its_end(tmp_path: Path, dialect: Dialect) -> None:
    first, _ = requests(dialect, "identify", "stop")
    records = [came(0, b"boot"), went(10, first), came(12, b"one"), mark(15, MarkKind.BEGIN, "drive"), came(16, b"two")]
    recorded(tmp_path, records)
    with open_port(f"trace:{tmp_path / 'trace.sqlite'}", dialect.port, SystemClock()) as port:
        heard = [stamped.data for _ in range(3) if (stamped := port.read(1.0))]
        assert heard == [b"boot", b"one", b"two"]
        with pytest.raises(PortLost, match="the trace ends here"):
            port.read(1.0)


def test_an_address_that_names_no_run_is_refused(tmp_path: Path, dialect: Dialect) -> None:
    with pytest.raises(PortUnavailable, match="this names no run"):
        open_port(f"trace:{tmp_path}", dialect.port, SystemClock())
    with pytest.raises(UsageError, match="this names no run"):
        trace_file("trace:nowhere")
