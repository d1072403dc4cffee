"""Listening to a port that nobody has described: on pseudo-terminals whose devices begin late, go away, or answer."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from hil.catalogue import shipped
from hil.engine.port_survey import listen_at, survey, try_rates, who_answers
from hil.errors import PortLost, PortUnavailable
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.timing import SystemClock
from hil.transports import Transport, open_pseudo_terminal
from hil.transports.port_names import has_no_line
from hil.wire.dialect import Dialect, PortSettings, Verdict
from hil.wire.link import End, Link
from hil.wire.received import Commanded

SETTINGS = PortSettings(baud=9600)
PRINTS = b"see 51 12 640 went 4 -7\r\n"


@pytest.fixture(scope="module")
def dialects() -> dict[str, Dialect]:
    return {name: load_protocol(path) for name, path in shipped(Kind.PROTOCOL).items()}


@pytest.fixture
def pair() -> Iterator[tuple[Transport, str]]:
    device, path = open_pseudo_terminal(SystemClock())
    yield device, path
    device.close()


def printing(device: Transport, count: int, after_s: float) -> threading.Thread:
    def work() -> None:
        ended = threading.Event()
        ended.wait(after_s)
        for _ in range(count):
            device.write(PRINTS)
            ended.wait(0.01)

    worker = threading.Thread(target=work)
    worker.start()
    return worker


def test_a_board_that_starts_anew_is_waited_for_and_then_listened_to(pair: tuple[Transport, str]) -> None:
    device, path = pair
    worker = printing(device, 200, after_s=0.4)
    heard = listen_at(path, SETTINGS, SystemClock(), duration_s=0.3, restart_s=3.0)
    worker.join()
    assert heard.is_text
    assert 10 * len(PRINTS) < heard.total < 40 * len(PRINTS)


def test_a_port_that_goes_away_ends_the_listening_with_what_came() -> None:
    device, path = open_pseudo_terminal(SystemClock())
    worker = printing(device, 5, after_s=0.1)
    closer = threading.Timer(0.4, device.close)
    closer.start()
    began = time.monotonic()
    heard = listen_at(path, SETTINGS, SystemClock(), duration_s=20.0)
    worker.join()
    closer.join()
    assert time.monotonic() - began < 10.0
    assert heard.total == 5 * len(PRINTS)


def test_where_there_is_no_rate_one_listening_serves_all(pair: tuple[Transport, str]) -> None:
    _, path = pair
    assert has_no_line(path)
    assert has_no_line("socket://127.0.0.1:4000")
    assert not has_no_line("/dev/ttyUSB0")
    assert [one.total for one in try_rates(path, SystemClock(), SETTINGS)] == [0]


def test_a_survey_says_what_it_does_and_finds_the_protocol(
    pair: tuple[Transport, str], dialects: dict[str, Dialect]
) -> None:
    device, path = pair
    worker = printing(device, 60, after_s=0.1)
    said: list[str] = []
    fits, rates = survey(path, dialects.values(), SystemClock(), said.append)
    worker.join()
    assert said == ["listening for 2 s"]
    assert len(rates) == 1
    assert (fits[0].protocol, fits[0].fits) == ("plain-prints", True)


def test_the_protocol_that_is_answered_is_found_by_asking_who_is_there(
    pair: tuple[Transport, str], dialects: dict[str, Dialect]
) -> None:
    device, path = pair
    robot = Link(dialects["tagged-lines"], End.ROBOT)

    def work() -> None:
        try:
            while True:
                found = device.read(5.0)
                for item in robot.receive(found.data if found else b""):
                    if isinstance(item, Commanded) and item.tag is not None:
                        assert item.action == "identify"
                        device.write(robot.reply(item.tag, Verdict.ACCEPTED, "runner R-7"))
        except PortLost:
            return

    worker = threading.Thread(target=work)
    worker.start()
    found = who_answers(path, dialects.values(), SystemClock(), lambda _: None)
    device.close()
    worker.join()
    assert found is not None
    assert (found[0].name, found[1]) == ("tagged-lines", "runner R-7")


def test_a_port_that_cannot_be_opened_is_the_callers() -> None:
    with pytest.raises(PortUnavailable):
        listen_at("/dev/no-such-port", SETTINGS, SystemClock())
