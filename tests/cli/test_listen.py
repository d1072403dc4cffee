"""`hil listen` on real pseudo-terminals: values, losses, hints, bytes; and nothing is ever sent unasked."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.cli.main import main
from hil.engine import port_survey
from hil.errors import PortLost
from hil.measure.trace import Chunk, Direction, PortEntry
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.store.trace import TraceWriter
from hil.timing import FakeClock, SystemClock
from hil.transports import Transport, open_port, open_pseudo_terminal, port_names
from hil.wire.dialect import Dialect, PortSettings, Verdict
from hil.wire.link import End, Link
from hil.wire.received import Commanded

MOTION = {"encoder.left": 0, "encoder.right": 0, "wall.left": 1, "wall.right": 2, "wall.front": 3}
EVERY_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    status: int
    out: str
    err: str


@pytest.fixture
def listen(capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    def call(*words: str) -> Said:
        with pytest.raises(SystemExit) as left:
            main(["listen", *words])
        captured = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return Said(status=left.value.code, out=captured.out, err=captured.err)

    return call


@pytest.fixture(scope="module")
def dialect() -> Dialect:
    return load_protocol(shipped(Kind.PROTOCOL)["tagged-lines"])


@contextmanager
def saying(
    next_line: Callable[[], bytes], hear: Callable[[bytes], bytes] | None = None
) -> Iterator[tuple[str, list[bytes]]]:
    """A device that says a line every 20 ms and keeps what it hears, answering by `hear`."""
    device, path = open_pseudo_terminal(SystemClock())
    ended, heard = threading.Event(), []

    def work() -> None:
        try:
            while not ended.is_set():
                found = device.read(EVERY_S)
                if found is not None:
                    heard.append(found.data)
                    if hear is not None:
                        device.write(hear(found.data))
                if line := next_line():
                    device.write(line)
        except PortLost:
            pass

    worker = threading.Thread(target=work)
    worker.start()
    try:
        yield path, heard
    finally:
        ended.set()
        worker.join(5.0)
        device.close()


def numbered(robot: Link) -> Callable[[], bytes]:
    number = itertools.count()
    return lambda: robot.telemetry("motion", {**MOTION, "time": next(number) * EVERY_S})


def test_values_are_shown_with_rates_and_units_and_nothing_is_sent(
    listen: Callable[..., Said], dialect: Dialect
) -> None:
    with saying(numbered(Link(dialect, End.ROBOT))) as (path, heard):
        said = listen(path, "--protocol", "tagged-lines", "--for", "1.2 s")
    assert said.status == 0
    assert "1 s; motion " in said.out
    assert "    wall.front         3 count\n" in said.out
    assert "0 lost, 0 bad" in said.out
    assert "hint" not in said.out
    assert heard == []


def test_listening_ends_after_so_many_lines(listen: Callable[..., Said], dialect: Dialect) -> None:
    with saying(numbered(Link(dialect, End.ROBOT))) as (path, _):
        said = listen(path, "--protocol", "tagged-lines", "--lines", "10")
    assert said.status == 0
    assert "motion" in said.out


def test_lost_and_bad_lines_are_shown_with_an_example_made_harmless(
    listen: Callable[..., Said], dialect: Dialect
) -> None:
    good, robot = itertools.count(), Link(dialect, End.ROBOT)
    next_line = numbered(robot)

    def line() -> bytes:
        if next(good) % 5 == 3:
            next_line()  # never sent
            return b"m \x1b[2J\x07 nonsense #0000\r\n"
        return next_line()

    with saying(line) as (path, _):
        said = listen(path, "--protocol", "tagged-lines", "--lines", "40")
    assert "check: m \\x1b[2J\\x07 nonsense #0000" in said.out
    assert " lost, bad: " in said.out
    assert "\x1b" not in said.out
    assert "\x07" not in said.out


def test_bytes_are_shown_harmless(listen: Callable[..., Said]) -> None:
    with saying(lambda: b"\x1b]0;title\x07\xff ok\r\n") as (path, heard):
        said = listen(path, "--raw", "--for", "300 ms")
    assert "1b 5d 30 3b 74 69 74 6c 65 07 ff 20 6f 6b 0d 0a" in said.out
    assert "  .]0;title.. ok.." in said.out
    assert "\x1b" not in said.out
    assert "lines ended " in said.out
    assert heard == []


def test_the_protocol_that_fits_is_found_where_none_is_named(listen: Callable[..., Said]) -> None:
    count = itertools.count()
    with saying(lambda: b"see 51 12 640 went %d -7\r\n" % next(count)) as (path, heard):
        said = listen(path, "--for", "1.2 s")
    assert said.status == 0
    assert "plain-prints: " in said.err
    assert ", fits" in said.err
    assert "encoder.left" in said.out
    assert heard == []


def test_text_of_another_protocol_names_the_one_that_fits(listen: Callable[..., Said]) -> None:
    with saying(lambda: b"see 51 12 640 went 4 -7\r\n") as (path, _):
        said = listen(path, "--protocol", "tagged-lines", "--for", "1.2 s")
    assert "what came fits plain-prints: --protocol plain-prints." in said.out


@pytest.mark.parametrize("words", [("--protocol", "tagged-lines"), ()], ids=["named", "found by asking"])
def test_asking_streams_measures_the_round_trip_and_stops_at_the_end(
    listen: Callable[..., Said], dialect: Dialect, words: tuple[str, ...]
) -> None:
    robot = Link(dialect, End.ROBOT)
    periods: list[object] = []
    number = itertools.count()

    def hear(data: bytes) -> bytes:
        answer = b""
        for item in robot.receive(data):
            if not isinstance(item, Commanded):  # another protocol was tried before
                continue
            assert item.action in ("identify", "stream")
            assert item.tag is not None
            periods.extend([item.values["period"]] if item.action == "stream" else [])
            answer += robot.reply(item.tag, Verdict.ACCEPTED, "runner R-7")
        return answer

    def line() -> bytes:
        streams = bool(periods and periods[-1])
        return robot.telemetry("motion", {**MOTION, "time": next(number) * EVERY_S}) if streams else b""

    with saying(line, hear) as (path, _):
        said = listen(path, *words, "--ask", "--for", "1.1 s")
    assert "asked who is there: runner R-7" in said.err
    assert "a question and its answer take " in said.err
    assert "motion " in said.out
    assert periods == [0.02, 0.0]


def test_a_silent_port_gets_its_hint(listen: Callable[..., Said]) -> None:
    with saying(lambda: b"") as (path, heard):
        said = listen(path, "--protocol", "plain-prints", "--for", "2.2 s")
    assert "hint: The port is open and nothing came in 2 s." in said.out
    assert heard == []


def test_a_pseudo_terminal_has_no_rate_to_be_tried_by_whatever_name_it_goes(
    listen: Callable[..., Said], tmp_path: Path
) -> None:
    with saying(lambda: b"see 51 12 640 went 4 -7\r\n") as (path, heard):
        (tmp_path / "robot").symlink_to(path)
        said = listen(str(tmp_path / "robot"), "--try-bauds")
    begin, came = said.out.splitlines()
    assert begin == "A pseudo-terminal has no baud rate: what comes is the same at each. Listening once, for 2 s."
    assert " bytes came, 100 % text   see 51 12 640" in came
    assert heard == []


def test_a_silent_pseudo_terminal_is_told_as_silent_and_not_as_without_the_right_rate(
    listen: Callable[..., Said],
) -> None:
    with saying(lambda: b"") as (path, _):
        said = listen(path, "--try-bauds")
    assert said.out.splitlines()[1:] == ["Nothing came. A robot that must be asked is asked by --ask."]


def test_rates_are_tried_where_a_port_may_have_one_and_text_is_found(
    listen: Callable[..., Said], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pseudo-terminal takes every rate, and so stands for a line once nobody knows what it is."""
    monkeypatch.setattr(port_names, "is_pseudo_terminal", lambda _: False)
    monkeypatch.setattr(port_survey, "USUAL_BAUDS", (9600, 115200))
    monkeypatch.setattr(port_survey.try_rates, "__defaults__", ((9600, 115200),))
    with saying(lambda: b"see 51 12 640 went 4 -7\r\n") as (path, _):
        said = listen(path, "--try-bauds")
    assert said.out.startswith("Listening at each rate for 2 s")
    assert "Text appears at 9600 and 115200 baud." in said.out


def test_a_link_to_a_pseudo_terminal_gets_no_advice_for_a_serial_line(
    listen: Callable[..., Said], dialect: Dialect, tmp_path: Path
) -> None:
    """The answer comes after 16 ms, as from behind the latency timer of a bridge, and there is no bridge."""
    robot = Link(dialect, End.ROBOT)
    waited = threading.Event()

    def hear(data: bytes) -> bytes:
        answer = b""
        for item in robot.receive(data):
            if isinstance(item, Commanded) and item.tag is not None and item.action == "identify":
                waited.wait(0.016)
                answer += robot.reply(item.tag, Verdict.ACCEPTED, "runner R-7")
        return answer

    with saying(lambda: b"", hear) as (path, _):
        (tmp_path / "robot").symlink_to(path)
        said = listen(str(tmp_path / "robot"), "--protocol", "tagged-lines", "--ask", "--for", "1.1 s")
    assert "asked who is there: runner R-7" in said.err
    assert "latency timer" not in said.err


def test_a_robot_that_was_asked_and_is_silent_is_not_told_to_be_asked(listen: Callable[..., Said]) -> None:
    with saying(lambda: b"") as (path, _):
        said = listen(path, "--protocol", "tagged-lines", "--ask", "--for", "1 s")
    assert "asked who is there: no answer" in said.err
    assert "It was asked, and did not answer either" in said.out
    assert "--ask" not in said.out
    assert "--dtr" not in said.out


def test_a_robot_that_refuses_the_requests_of_another_protocol_is_told_as_that(listen: Callable[..., Said]) -> None:
    with saying(lambda: b"", lambda _: b"what was that\r\n" * 3) as (path, _):
        said = listen(path, "--protocol", "tagged-lines", "--ask", "--for", "1.1 s")
    assert "the robot may speak another protocol and refuse these requests" in said.out


def test_a_port_that_goes_away_ends_with_what_was_heard_and_one_sentence(
    listen: Callable[..., Said], dialect: Dialect
) -> None:
    robot = Link(dialect, End.ROBOT)
    device, path = open_pseudo_terminal(SystemClock())
    gone = threading.Timer(0.5, device.close)
    gone.start()
    talker = threading.Timer(0.2, lambda: device.write(robot.telemetry("motion", {**MOTION, "time": 0.0})))
    talker.start()
    said = listen(path, "--protocol", "tagged-lines")
    gone.join()
    assert said.status == 3
    assert "motion" in said.out
    assert "the port went away after" in said.err


def test_a_trace_is_listened_to_like_a_port_and_ends_without_a_complaint(
    listen: Callable[..., Said], dialect: Dialect, tmp_path: Path
) -> None:
    line = numbered(Link(dialect, End.ROBOT))
    writer = TraceWriter(tmp_path / "trace.sqlite", FakeClock())
    writer.add_port(PortEntry(name="robot", url="robot", protocol="tagged-lines", program="main"))
    for number in range(100):
        writer.chunk(Chunk(t_ns=number * 20_000_000, port="robot", direction=Direction.IN, data=line()))
    writer.close()
    said = listen(f"trace:{tmp_path}", "--protocol", "tagged-lines")
    assert (said.status, said.err) == (0, "")
    assert "motion            50.0/s  100 lines" in said.out


def test_a_port_that_another_has_is_refused(listen: Callable[..., Said]) -> None:
    device, path = open_pseudo_terminal(SystemClock())
    holder: Transport = open_port(path, PortSettings(baud=9600), SystemClock())
    said = listen(path, "--raw", "--for", "1 s")
    holder.close()
    device.close()
    assert said.status == 3
    assert "the port is in use" in said.err


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("loop://", "--raw", "--ask"), "--ask needs a protocol and --raw has none"),
        (("loop://", "--for", "soon"), "Invalid value for '--for'"),
        (("loop://", "--protocol", "no-such"), "no protocol is called 'no-such'"),
        (("/dev/no-such-port", "--raw"), "there is no such port"),
    ],
)
def test_wrong_usage_is_said_in_a_sentence(listen: Callable[..., Said], words: tuple[str, ...], sentence: str) -> None:
    said = listen(*words)
    assert said.status in (2, 3)
    assert sentence in said.err
