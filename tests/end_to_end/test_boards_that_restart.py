"""A board that starts anew when its port is opened: the engine waits for its banner and speaks to it only then."""

from __future__ import annotations

import select
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.measure.trace import Chunk, Direction, Mark
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.store.trace import TraceReader
from hil.timing import SystemClock
from hil.transports import open_port
from hil.transports.far_end import FarEnd, open_far_end

from .conftest import Said
from .typist import ServedRobot

BOOT_S = 0.3  # of the virtual robot: `hil.simulator.device`
PATIENCE_S = 10.0


@pytest.fixture
def robot_file(tmp_path: Path) -> Path:
    """The virtual robot with a console whose opening restarts it, as boards do that reset on DTR."""
    catalogue = Catalogue()
    protocol = catalogue.find(Kind.PROTOCOL, "letter-menu").read_text()
    assert "resets_on_open: no" in protocol
    restarting = protocol.replace("resets_on_open: no", "resets_on_open: yes")
    (tmp_path / "letter-menu.protocol.yaml").write_text(restarting)
    path = tmp_path / "restarting.robot.yaml"
    path.write_text(catalogue.find(Kind.ROBOT, "virtual-menu").read_text())
    return path


def crossed(run: Path) -> tuple[list[Mark], list[Chunk]]:
    with TraceReader(run / "trace.sqlite") as trace:
        items = list(trace)
    return [item for item in items if isinstance(item, Mark)], [item for item in items if isinstance(item, Chunk)]


def test_a_run_on_a_board_that_restarts_waits_for_its_banner_and_asks_nothing_before(
    hil: Callable[..., Said], robot_file: Path, tmp_path: Path
) -> None:
    said = hil(
        *("run", "straight-line/tracked-legs", "--virtual", "--robot", robot_file, "--unattended"),
        *("--runs", tmp_path / "runs"),
    )
    assert said.status == 0, said.out + said.err
    (run,) = (tmp_path / "runs").iterdir()
    marks, chunks = crossed(run)
    (boot,) = [mark for mark in marks if mark.step == "boot"]
    assert boot.fields["banner"] == "letter menu ready"
    assert 0.0 < float(str(boot.fields["took_s"])) < 3.0
    first_asked = next(i for i, chunk in enumerate(chunks) if chunk.direction is Direction.OUT)
    before = b"".join(chunk.data for chunk in chunks[:first_asked])
    assert before.count(b"letter menu ready") == 1


@pytest.mark.parametrize("socket", [(), ("--socket",)], ids=["pseudo-terminal", "socket"])
def test_the_banner_comes_again_each_time_the_port_is_opened(
    robot_file: Path, tmp_path: Path, socket: tuple[str, ...]
) -> None:
    port = load_protocol(tmp_path / "letter-menu.protocol.yaml").port
    clock = SystemClock()
    with ServedRobot("--robot", str(robot_file), "--unpaced", *socket, folder=tmp_path) as robot:
        for _ in range(3):
            opened, heard = open_port(robot.port, port, clock), b""
            end_ns = clock.monotonic_ns() + int(PATIENCE_S * 1e9)
            while b"letter menu ready" not in heard and clock.monotonic_ns() < end_ns:
                chunk = opened.read(0.05)
                heard += chunk.data if chunk else b""
            opened.close()
            assert heard.count(b"letter menu ready") == 1
            # It has seen the host go once it has answered what was asked after that.
            assert robot.do("where").startswith("port: ")


@pytest.mark.whole
def test_a_board_that_does_not_restart_says_its_banner_once(tmp_path: Path) -> None:
    port = load_protocol(Catalogue().find(Kind.PROTOCOL, "letter-menu")).port
    with ServedRobot("--robot", "virtual-menu", "--unpaced", folder=tmp_path) as robot:
        heard = []
        for _ in range(2):
            opened = open_port(robot.port, port, SystemClock())
            chunk = opened.read(2 * BOOT_S)
            heard.append(chunk.data if chunk else b"")
            opened.close()
    assert b"letter menu ready" not in heard[1]


@pytest.fixture(params=["pty", "socket"])
def far(request: pytest.FixtureRequest) -> Iterator[FarEnd]:
    end = open_far_end(request.param)
    end.watch_hosts()
    yield end
    end.close()


def test_a_far_end_tells_each_opening_once_and_drops_what_is_sent_to_nobody(far: FarEnd) -> None:
    port = load_protocol(Catalogue().find(Kind.PROTOCOL, "letter-menu")).port
    far.write(b"to nobody")
    assert not far.has_opened()
    for _ in range(2):
        host = open_port(far.address, port, SystemClock())
        select.select(far.readable, [], [], 0.0 if "socket" not in far.address else PATIENCE_S)
        far.read()
        assert far.has_opened()
        assert not far.has_opened()
        far.write(b"hello")
        chunk = host.read(PATIENCE_S)
        assert chunk is not None
        assert chunk.data == b"hello"
        host.close()
        if far.readable:
            select.select(far.readable, [], [], PATIENCE_S)
            far.read()
        assert not far.has_opened()
