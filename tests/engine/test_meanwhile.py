"""Work beside the port: it is listened to all the while, and whatever happens reaches the caller."""

from __future__ import annotations

import threading

import pytest

from hil.engine.meanwhile import listening
from hil.errors import BenchError


def test_the_port_is_listened_to_until_the_work_is_done() -> None:
    heard = threading.Event()

    def work() -> str:
        assert heard.wait(10.0)
        return "done"

    assert listening(heard.set, work) == "done"


def test_what_the_work_raises_reaches_the_caller() -> None:
    def work() -> None:
        raise BenchError("no disk")

    with pytest.raises(BenchError, match="no disk"):
        listening(lambda: None, work)


def test_an_interrupt_does_not_wait_for_the_work() -> None:
    may_end = threading.Event()

    def interrupt() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        listening(interrupt, may_end.wait)
    may_end.set()
