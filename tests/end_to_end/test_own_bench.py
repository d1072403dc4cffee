"""From nothing to a passing run, as a new user goes: `hil init` at a terminal on a served robot, then `hil run`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from hil.cli.main import main
from hil.timing import SystemClock
from hil.transports import open_pseudo_terminal

from .typist import ServedRobot, Typist

MOST_ANSWERS = 20


def reading(robot: ServedRobot, cell: str) -> str:
    """Read how far past its mark the robot stands, by the ruler of the person at the served robot."""
    said = robot.do(f"along at {cell} north")
    return said.partition(" (")[0]


def init_answers(robot: ServedRobot, **special: str) -> list[tuple[str, str]]:
    """Enter at every question, but for the port and what is `special` (a word of the question, and the answer)."""
    named = {"Which port": robot.port, **special}
    return [
        *((rf"{words}[^>]*> ", answer) for words, answer in named.items()),
        (r"\n  .*> $", ""),
    ]


def first_run(robot: ServedRobot, folder: Path, name: str, press: Callable[[], str]) -> tuple[int, Typist]:
    cells = iter(["0 0", "0 2"])
    with Typist("run", "first-run", "--robot", name, folder=folder) as person:
        status = person.answer(
            [
                (r"Type yes to go on: ", "yes"),
                (r"(?s)Place the robot.*?done\. ", lambda: robot.do("place") and ""),
                (r"(?s)with its button.*?done\. ", press),
                (r"along \[mm\]: ", lambda: reading(robot, next(cells))),
                (r"done\. ", ""),
            ]
        )
    return status, person


def test_a_robot_that_answers_comes_to_a_passing_run_within_twenty_answers(tmp_path: Path) -> None:
    with ServedRobot(folder=tmp_path) as robot:
        with Typist("init", "mine", folder=tmp_path) as person:
            assert person.answer(init_answers(robot)) == 0, person.shown
        assert "answered in tagged-lines" in person.shown
        status, runner = first_run(robot, tmp_path / "mine", "virtual", lambda: "")
    assert status == 0, runner.shown
    assert " passed" in runner.shown
    assert person.answers + runner.answers <= MOST_ANSWERS


@pytest.mark.whole
def test_a_robot_that_only_prints_comes_to_a_passing_run_within_twenty_answers(tmp_path: Path) -> None:
    with ServedRobot("--robot", "virtual-prints", folder=tmp_path) as robot:
        with Typist("init", "mine", folder=tmp_path) as person:
            answers = init_answers(robot, **{"What is the robot called": "runner", "another program": "plain-readings"})
            assert person.answer(answers) == 0, person.shown
        assert "plain-prints: " in person.shown
        status, runner = first_run(robot, tmp_path / "mine", "runner", lambda: robot.do("start ahead 2 by both") and "")
    assert status == 0, runner.shown
    assert " passed" in runner.shown
    assert person.answers + runner.answers <= MOST_ANSWERS


def test_ctrl_c_in_the_middle_of_the_questions_leaves_nothing(tmp_path: Path) -> None:
    with Typist("init", "mine", "--port", "none", "--protocol", "plain-prints", folder=tmp_path) as person:
        person.see(r"What is the robot called")
        assert person.interrupt() == 130
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def init(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str]]:
    monkeypatch.chdir(tmp_path)

    def call(*words: str) -> tuple[int, str]:
        with pytest.raises(SystemExit) as left:
            main(["init", *words])
        captured = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return left.value.code, captured.out + captured.err

    return call


@pytest.mark.parametrize(
    "answers",
    [
        ("--protocol", "tagged-lines"),
        ("--protocol", "tagged-lines", "--sensors", "none", "--cells", "0"),
        ("--protocol", "letter-menu"),
        ("--protocol", "letter-menu", "--drives-by", "goal", "--stop-by", "dead man"),
        ("--protocol", "letter-menu", "--drives-by", "operator", "--cable", "no"),
        ("--protocol", "plain-prints", "--second", "plain-readings", "--class", "fast"),
        ("--protocol", "plain-prints", "--body", "75, 40, 45 mm", "--wheels", "24.5 mm, 6.2 cm", "--counts", "1024.5"),
    ],
    ids=" ".join,
)
def test_what_is_made_has_no_mistakes_and_can_be_planned(
    init: Callable[..., tuple[int, str]],
    answers: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    status, said = init("mine", "--yes", "--port", "none", "--name", "runner", *answers)
    assert status == 0, said
    monkeypatch.chdir(tmp_path / "mine")
    with pytest.raises(SystemExit) as left:
        main(["check", "first-run.suite.yaml", "first-corridor.course.yaml", "runner.robot.yaml"])
    assert left.value.code == 0, capsys.readouterr().err


def test_every_file_names_the_schema_that_lies_beside_it(init: Callable[..., tuple[int, str]], tmp_path: Path) -> None:
    init("mine", "--yes", "--port", "none")
    for path in (tmp_path / "mine").glob("*.yaml"):
        first = path.read_text().splitlines()[0]
        assert first.startswith("# yaml-language-server: $schema=")
        assert (tmp_path / "mine" / first.partition("$schema=")[2]).is_file()


def test_a_name_that_yaml_would_take_for_something_else_stays_text(
    init: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    status, said = init("mine", "--yes", "--port", "none", "--name", "no", "--serial", '0012: #"x')
    assert status == 0, said
    assert 'serial: "0012: #\\"x"' in (tmp_path / "mine" / "no.robot.yaml").read_text()


def test_an_option_whose_question_is_not_asked_is_used_all_the_same(
    init: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    words = ("--yes", "--port", "none", "--name", "runner")
    status, said = init("mine", *words, "--protocol", "plain-readings", "--counts", "1024", "--cable", "yes")
    assert status == 0, said
    assert "counts_per_turn: 1024" in (tmp_path / "mine" / "runner.robot.yaml").read_text()
    status, said = init("other", *words, "--protocol", "letter-menu", "--second", "plain-readings")
    assert status == 0, said
    assert "  sense:\n    protocol: plain-readings\n" in (tmp_path / "other" / "runner.robot.yaml").read_text()


def test_a_port_named_from_here_is_the_same_port_seen_from_the_bench(
    init: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    device, path = open_pseudo_terminal(SystemClock())
    (tmp_path / "robot").symlink_to(path)
    status, said = init("mine", "--yes", "--port", "robot", "--name", "runner", "--ask", "no")
    device.close()
    assert status == 0, said
    assert f"    port: {tmp_path / 'robot'}\n" in (tmp_path / "mine" / "runner.robot.yaml").read_text()


def test_a_port_in_a_folder_whose_name_no_robot_file_takes_is_told(
    init: Callable[..., tuple[int, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    device, path = open_pseudo_terminal(SystemClock())
    (tmp_path / "two words").mkdir()
    (tmp_path / "two words" / "robot").symlink_to(path)
    monkeypatch.chdir(tmp_path / "two words")
    status, said = init("mine", "--yes", "--port", "robot", "--name", "runner")
    device.close()
    assert status == 2
    assert "expected a port whose whole path has only letters, digits and ./_-, not" in said


def test_files_of_ones_own_are_kept_unless_told_otherwise(init: Callable[..., tuple[int, str]], tmp_path: Path) -> None:
    words = ("mine", "--yes", "--port", "none")
    assert init(*words)[0] == 0
    assert init(*words)[0] == 0  # the same again changes nothing
    suite = tmp_path / "mine" / "first-run.suite.yaml"
    suite.write_text("mine\n")
    (tmp_path / "mine" / "notes.txt").write_text("kept\n")
    status, said = init(*words)
    assert status == 2
    assert "it holds other files of these names: first-run.suite.yaml" in said
    assert suite.read_text() == "mine\n"
    assert init(*words, "--overwrite")[0] == 0
    assert suite.read_text() != "mine\n"
    assert (tmp_path / "mine" / "notes.txt").read_text() == "kept\n"
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--name", "9 lives"), "--name '9 lives' cannot be taken; expected a letter"),
        (("--body", "80 mm"), "expected 3 lengths such as '80 mm, 50 mm, 50 mm'"),
        (("--class", "slow"), "expected one of entry, fast"),
        (("--counts", "-3"), "expected a number above 0"),
        (("--protocol", "no-such"), "--protocol 'no-such' cannot be taken"),
        (("--drives-by", "goal"), "expected operator, since the protocol plain-prints has no command 'drive' and none"),
        (
            ("--stop-by", "command"),
            "expected operator, since the protocol plain-prints has no command 'stop' and",
        ),
        (
            ("--protocol", "tagged-lines", "--cable", "no"),
            "--cable 'no' cannot be taken; expected yes, since it is driven over the port",
        ),
        (
            ("--port", "/dev/no-such-port"),
            "an address such as socket://HOST:PORT, or none, and 'hil run --port PORT' later (there is no such port)",
        ),
    ],
)
def test_an_answer_that_cannot_be_taken_is_told_and_nothing_is_made(
    init: Callable[..., tuple[int, str]], words: tuple[str, ...], sentence: str, tmp_path: Path
) -> None:
    status, said = init("mine", "--yes", "--port", "none", *words)
    assert status == 2
    assert sentence in said
    assert list(tmp_path.iterdir()) == []


def test_without_a_terminal_nothing_is_asked(
    init: Callable[..., tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    status, said = init("mine")
    assert status == 2
    assert "nobody can be asked here" in said
