"""`hil check`: every mistake or the plan, and the exit status."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.cli.main import main
from hil.spec.kinds import Kind


def hil(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Run the command line and return its exit status and what it wrote."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    written = capsys.readouterr()
    return int(left.value.code or 0), written.out, written.err


@pytest.fixture(autouse=True)
def _in_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_the_plan_of_a_shipped_suite_is_shown_without_a_robot(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = hil(capsys, "check", "straight-line")
    assert (status, err) == (0, "")
    assert out.startswith("Plan for the robot virtual (V-0001), class entry, measured by telemetry\n")
    assert "  - wheel_mismatch: resolves about 0." in out
    assert "can be decided" in out


def test_files_without_a_suite_are_checked_and_nothing_is_planned(capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(path) for kind in (Kind.COURSE, Kind.ROBOT, Kind.PROTOCOL) for path in shipped(kind).values()]
    status, out, _ = hil(capsys, "check", *files)
    assert (status, out) == (0, f"No mistakes in {len(files)} files.\n")


def test_every_mistake_of_every_file_is_shown_and_the_status_is_2(capsys: pytest.CaptureFixture[str]) -> None:
    Path("a.course.yaml").write_text("course: a\n")
    Path("b.robot.yaml").write_text("robot: b\nclas: entry\n")
    status, out, err = hil(capsys, "check", "a.course.yaml", "b.robot.yaml")
    assert (status, out) == (2, "")
    assert "a.course.yaml:1:1: drawing: found nothing, expected text" in err
    assert "b.robot.yaml:2:1: clas: found the unknown key 'clas'" in err
    assert "(did you mean class?)" in err


def test_a_robot_of_the_users_is_planned_for(capsys: pytest.CaptureFixture[str]) -> None:
    text = shipped(Kind.ROBOT)["virtual"].read_text().replace("robot: virtual", "robot: mine").replace(": 360", ": 24")
    text = text.replace("cycles_per_turn: 90", "cycles_per_turn: 6")
    Path("mine.robot.yaml").write_text(text)
    status, out, _ = hil(capsys, "check", "u-turn", "--robot", "mine", "--class", "fast")
    assert status == 0
    assert out.startswith("Plan for the robot mine (V-0001), class fast")
    assert "cannot be decided: it would take 0.35 deg or finer" in out


def test_a_suite_that_the_robot_cannot_run_ends_with_status_2(capsys: pytest.CaptureFixture[str]) -> None:
    text = shipped(Kind.ROBOT)["virtual"].read_text().replace("drives_by: command", "can: [sensing]")
    Path("mine.robot.yaml").write_text(text)
    status, _, err = hil(capsys, "check", "u-turn", "mine.robot.yaml")
    assert status == 2
    assert "hil check: u-turn/laps: the robot virtual has no program for driving; it has main (sensing).\n" in err


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("u-trun", "no suite is called 'u-trun'"),
        ("gone.suite.yaml", "gone.suite.yaml: no such file"),
        ("mine.txt/x", "mine.txt/x: no such file"),
    ],
)
def test_a_file_that_is_not_there_is_told_in_one_sentence(
    capsys: pytest.CaptureFixture[str], name: str, part: str
) -> None:
    status, _, err = hil(capsys, "check", name)
    assert status == 2
    assert part in err
    assert "Traceback" not in err


def test_a_file_of_no_known_kind_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    Path("notes.yaml").write_text("a: 1\n")
    status, _, err = hil(capsys, "check", "notes.yaml")
    assert status == 2
    assert "the kind of file cannot be told from its name" in err


def test_the_help_reads_like_a_manual_page(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = hil(capsys, "check", "--help")
    assert status == 0
    for word in ("FILES", "--robot", "--route", "--class", "Exit status"):
        assert word in out


def test_one_case_of_a_suite_is_planned_alone(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = hil(capsys, "check", "straight-line/tracked-legs")
    assert status == 0
    assert "straight-line/tracked-legs: " in out
    assert "blind-legs" not in out


def test_a_case_that_a_suite_has_not_is_named_with_those_it_has(capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = hil(capsys, "check", "straight-line/legs")
    assert status == 2
    assert "the suite straight-line has no case 'legs'; expected one of blind-legs, tracked-legs" in err


def test_a_folder_is_no_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    status, _, err = hil(capsys, "check", str(tmp_path))
    assert status == 2
    assert "this is no file" in err


def test_a_robot_that_only_reads_sensors_aloud_is_planned_by_the_person_as_it_is_run(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = shipped(Kind.PROTOCOL)["plain-prints"].read_text()
    silent = text.replace(" went {encoder.left} {encoder.right}", "")
    silent = "\n".join(line for line in silent.split("\n") if not line.strip().startswith("encoder."))
    Path("mute.protocol.yaml").write_text(silent.replace("protocol: plain-prints", "protocol: mute"))
    robot = shipped(Kind.ROBOT)["virtual-prints"].read_text().replace("robot: virtual-prints", "robot: mine")
    Path("mine.robot.yaml").write_text(robot.replace("protocol: plain-prints", "protocol: mute"))
    status, out, err = hil(capsys, "check", "straight-line/tracked-legs", "--robot", "mine.robot.yaml")
    assert (status, err) == (0, "")
    assert "measured by the operator" in out.splitlines()[0]
    status, _, err = hil(capsys, "check", "straight-line/tracked-legs", "--robot", "mine.robot.yaml", "--route", "both")
    assert status == 2
    assert "operator" in err


@pytest.mark.parametrize("also", [(), ("straight-line",)])
def test_a_lowest_voltage_below_what_the_chemistry_can_take_is_warned_of(
    capsys: pytest.CaptureFixture[str], also: tuple[str, ...]
) -> None:
    text = shipped(Kind.ROBOT)["virtual"].read_text()
    assert "lowest: 6.8 V" in text
    for lowest, words in (
        ("6.4 V", "below the 6.8 V at which 2 LiPo cells should stop"),  # 3.4 V a cell: common practice
        ("5.8 V", "below the 6 V at which 2 LiPo cells are damaged"),  # 3.0 V a cell: makers and universities
        ("8.5 V", "more than 2 LiPo cells ever have (8.4 V)"),
    ):
        Path("mine.robot.yaml").write_text(
            text.replace("robot: virtual", "robot: mine").replace("lowest: 6.8 V", f"lowest: {lowest}")
        )
        status, _, err = hil(capsys, "check", "mine.robot.yaml", *also)
        assert status == 0
        assert f"hil check: warning: robot mine: the lowest voltage of {lowest} is {words}" in err


def test_a_chemistry_of_which_no_limits_are_known_is_warned_of(capsys: pytest.CaptureFixture[str]) -> None:
    text = shipped(Kind.ROBOT)["virtual"].read_text().replace("robot: virtual", "robot: mine")
    assert "chemistry: LiPo" in text
    Path("mine.robot.yaml").write_text(text.replace("chemistry: LiPo", "chemistry: Lipoo"))
    status, _, err = hil(capsys, "check", "mine.robot.yaml")
    assert status == 0
    assert "robot mine: of the chemistry 'Lipoo' no limits are known; they are of LiPo, Li-ion, NiMH, 9 V block." in err
