"""`hil ports`: what is known of each port, harmless to a terminal, or what to check where there is none."""

from __future__ import annotations

import json

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from hil.cli.main import main
from hil.transports import services


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
