"""`hil ports`: what is known of each port, harmless to a terminal, or what to check where there is none."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from hil.cli.main import main
from hil.timing import SystemClock
from hil.transports import open_pseudo_terminal, services


def hil(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 0
    return capsys.readouterr().out


@pytest.fixture
def _bridge(monkeypatch: pytest.MonkeyPatch) -> None:
    info = ListPortInfo("/dev/ttyUSB42", skip_link_detection=True)
    info.description, info.vid, info.pid, info.serial_number = "Bridge\x1b[31m", 0x1A86, 0x7523, "A7"
    monkeypatch.setattr(list_ports, "comports", lambda: [info])
    monkeypatch.setattr(services, "probers", lambda: ("ModemManager",))


@pytest.mark.usefixtures("_bridge")
def test_everything_known_of_a_port_is_listed_and_nothing_reaches_the_terminal_raw(
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = hil(capsys, "ports")
    assert out.startswith("/dev/ttyUSB42  (USB serial bridge)\n")
    assert "    USB           1a86:7523\n" in out
    assert "    serial number A7\n" in out
    assert 'ENV{ID_MM_DEVICE_IGNORE}="1"' in out
    assert "Bridge\\x1b[31m" in out
    assert "\x1b" not in out


@pytest.mark.usefixtures("_bridge")
def test_the_same_is_told_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = json.loads(hil(capsys, "ports", "--json"))
    assert (found["device"], found["usb_id"], found["kind"]) == ("/dev/ttyUSB42", "1a86:7523", "USB serial bridge")
    assert found["services"] == ["ModemManager"]


def test_where_there_is_no_port_it_says_what_to_check(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(list_ports, "comports", list)
    assert "Check that the robot is switched on, that the cable carries data" in hil(capsys, "ports")
    assert hil(capsys, "ports", "--json") == "[]\n"


@pytest.fixture
def device() -> Iterator[str]:
    terminal, path = open_pseudo_terminal(SystemClock())
    yield path
    terminal.close()


def test_a_port_that_is_not_there_is_told_and_the_others_are_described(
    capsys: pytest.CaptureFixture[str], device: str, tmp_path: Path
) -> None:
    loose, plain = tmp_path / "loose", tmp_path / "plain"
    loose.symlink_to("/dev/no-such-port")
    plain.write_text("text\n")
    with pytest.raises(SystemExit) as left:
        main(["ports", "/dev/no-such-port", str(loose), device, str(plain)])
    said = capsys.readouterr()
    assert left.value.code == 3
    assert said.out.startswith(f"{device}  (pseudo-terminal)\n")
    assert said.out.count("(") - said.out.count("(process") == 1
    told = said.err.splitlines()
    assert told[0].startswith("hil: /dev/no-such-port: there is no such port; expected a serial device")
    assert told[1].startswith(f"hil: {loose}: this link leads to /dev/no-such-port, which is not there; expected")
    assert told[2].startswith(f"hil: {plain}: this is not a serial port; expected")


def test_a_link_to_a_pseudo_terminal_is_described_as_one(
    capsys: pytest.CaptureFixture[str], device: str, tmp_path: Path
) -> None:
    (tmp_path / "robot").symlink_to(device)
    assert hil(capsys, "ports", str(tmp_path / "robot")).startswith(f"{device}  (pseudo-terminal)\n")
