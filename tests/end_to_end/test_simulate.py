"""A served virtual robot is a robot like any other: opened by its address, run on, ended by Ctrl-C."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hil.engine import virtual

from .conftest import Said
from .typist import Typist

COMMAND = [sys.executable, "-P", "-m", "hil.cli.main", "simulate", "--unpaced", "--seed", "2"]


@pytest.fixture
def served(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [*COMMAND, *request.param], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=tmp_path
    ) as process:
        yield process
        process.kill()


def address(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith("port: "):
            return line.split()[1]
    raise AssertionError("no port was printed")


@pytest.mark.parametrize(
    "served",
    [[], pytest.param(["--socket"], marks=pytest.mark.whole)],
    ids=["pseudo-terminal", "socket"],
    indirect=True,
)
def test_served_robot_is_run_on_by_its_address_and_ends_by_ctrl_c(
    served: subprocess.Popen[str], hil: Callable[..., Said], tmp_path: Path
) -> None:
    port = address(served)
    assert port.startswith(("socket://127.0.0.1:", "/dev/"))
    calibration = tmp_path / "virtual.calibration.json"
    words = ("run", "straight-line/tracked-legs", "--robot", "virtual", "--port", port, "--calibration", calibration)
    said = hil(*words, "--unattended", "--runs", tmp_path / "runs")
    assert said.status == 0, said.out
    assert "virtual robot" in said.out
    served.send_signal(signal.SIGINT)
    assert served.wait(20) == 0


@pytest.mark.parametrize("served", [[]], indirect=True)
def test_person_at_the_keyboard_reads_and_lays_boards(served: subprocess.Popen[str]) -> None:
    address(served)
    assert served.stdin is not None
    assert served.stdout is not None
    served.stdin.write("offset\nboard 0 5 north 5\nplace\nsomething else\n")
    served.stdin.flush()
    said = [served.stdout.readline() for _ in range(6)]
    text = "".join(said)
    assert "mm (standard uncertainty 0.5" in text
    assert "board of 5 mm laid" in text
    assert "placed at the start" in text
    assert "not known: 'something else'. What can be typed is place, start" in text
    served.send_signal(signal.SIGINT)
    assert served.wait(20) == 0


@pytest.mark.parametrize(
    "served", [["--robot", "virtual-prints", "--program", "run", "--link", "robot"]], indirect=True
)
def test_person_at_the_keyboard_drives_unplugs_and_loads_while_a_link_follows_the_port(
    served: subprocess.Popen[str], tmp_path: Path
) -> None:
    first = address(served)
    assert str((tmp_path / "robot").readlink()) == first
    assert served.stdin is not None
    assert served.stdout is not None

    def typed(line: str, wanted: str) -> str:
        assert served.stdin is not None
        assert served.stdout is not None
        served.stdin.write(line + "\n")
        served.stdin.flush()
        said = next(text for text in served.stdout if wanted in text)
        return said.strip()

    assert typed("start ahead 2 by both", "stands") == "it stands, after 1.5 s."
    assert typed("goal 0 4", "stands") == "it stands, after 1.5 s."
    assert typed("display V", "uncertainty").endswith("V (standard uncertainty 0.0029)")
    assert typed("untether", "unplugged") == "unplugged."
    assert typed("where", "port:") == "port: none, it is unplugged, program run"
    second = typed("retether", "port:").split()[-1]
    assert second != first
    third = typed("load sense", "port:").split()[-1]
    assert str((tmp_path / "robot").readlink()) == third
    assert third != second
    served.send_signal(signal.SIGINT)
    assert served.wait(20) == 0
    assert not (tmp_path / "robot").is_symlink()


def test_keys_that_are_no_letters_reach_no_terminal_raw_and_the_end_of_typing_leaves_it_served(tmp_path: Path) -> None:
    with Typist("simulate", "--unpaced", folder=tmp_path) as person:
        assert person.see("Type 'help'") == 0
        person.type("\x1b[A")
        assert person.see(r"not known: '\\x1b\[A'\. What can be typed is place, start") == 0
        person.type("contacts")
        assert person.see(r"0 \(exact\)") == 0
        person.type("\x04")
        assert person.see(r"no more is read here; the robot is served until Ctrl-C\.") == 0
        # The terminal itself shows a key as ^[, so that a raw escape could only come from the program.
        assert "\x1b" not in person.shown
        assert person.interrupt() == 0


def test_bytes_of_any_kind_and_lines_without_end_are_answered_in_a_line_each(tmp_path: Path) -> None:
    typed = b"\x00\xff\x1b]0;x\x07\n" + b"x" * 10_000 + b"\n" + b"place a 0 north\n" + b"where"
    process = subprocess.Popen(
        COMMAND, cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    with process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(typed)
        process.stdin.close()
        said = []
        for line in process.stdout:
            said.append(line.decode())
            if line.startswith(b"no more is read here"):
                break
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
    known, long, cell, where = said[4:8]
    assert known.startswith(r"not known: '\x00\xff\x1b]0;x\x07'.")
    assert long.startswith("a line of more than 400 characters is not read. What can be typed is place")
    assert cell == "'a' is no number of a cell; expected a whole number, such as 0.\n"
    assert where.startswith("port: /dev/")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--link", "mine.txt"), "--link mine.txt: there is a file of that name, which a link would replace; expected"),
        (("--link", "."), "--link .: there is a folder of that name"),
        (("--link", "none/robot"), "--link none/robot: there is no folder none; expected a name in a folder that"),
        (("--link", "robot", "--socket"), "--link: a TCP port has no name that a link could lead to; expected no"),
    ],
)
def test_a_link_that_cannot_be_made_is_refused_before_anything_starts(
    hil: Callable[..., Said], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], sentence: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.txt").write_text("kept\n")
    monkeypatch.setattr(virtual, "VirtualProcess", None)  # whoever starts one fails here
    said = hil("simulate", *words)
    assert said.status == 2
    assert sentence in said.err
    assert (tmp_path / "mine.txt").read_text() == "kept\n"
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
