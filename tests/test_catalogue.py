"""Files are found by name or by path: the user's before the shipped, in a wheel as in a checkout."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from hil.catalogue import Catalogue, data_folder, shipped
from hil.errors import InternalError, UsageError
from hil.spec.kinds import Kind, UnknownReferenceError, kind_of

ROOT = Path(__file__).resolve().parent.parent


def test_everything_shipped_is_found_by_name(tmp_path: Path) -> None:
    catalogue = Catalogue(tmp_path)
    for kind in Kind:
        assert shipped(kind)
        for name, path in shipped(kind).items():
            assert catalogue.find(kind, name) == path
            assert kind_of(path) is kind


def test_a_file_of_the_user_stands_before_a_shipped_one_of_its_name(tmp_path: Path) -> None:
    (tmp_path / "courses").mkdir()
    mine = tmp_path / "courses" / "corner.course.yaml"
    mine.write_text("")
    assert Catalogue(tmp_path).find(Kind.COURSE, "corner") == mine


def test_a_path_is_taken_from_the_file_that_names_it_and_then_from_the_working_folder(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    beside, here = tmp_path / "a" / "x.course.yaml", tmp_path / "x.course.yaml"
    here.write_text("")
    suite = tmp_path / "a" / "s.suite.yaml"
    catalogue = Catalogue(tmp_path)
    assert catalogue.find(Kind.COURSE, "x.course.yaml", suite) == here
    beside.write_text("")
    assert catalogue.find(Kind.COURSE, "x.course.yaml", suite) == beside
    assert catalogue.find(Kind.COURSE, "../x.course.yaml", suite).resolve() == here


def test_an_unknown_name_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(UnknownReferenceError) as caught:
        Catalogue(tmp_path).find(Kind.SUITE, "u-trun")
    assert str(caught.value) == (
        "no suite is called 'u-trun'; expected a file or one of encoders, front-wall-reset, loop-timing, "
        "standing-look, straight-line, supply, u-turn, untethered, venue-check, wall-sensors. "
        "Did you mean u-turn?"
    )
    assert caught.value.exit_status == 2


@pytest.mark.parametrize("reference", ["x" * 300, "a/b\0c", "/etc/passwd", "../..", "", "."])
def test_what_can_be_no_file_of_the_kind_is_refused(reference: str, tmp_path: Path) -> None:
    with pytest.raises(UnknownReferenceError):
        Catalogue(tmp_path).find(Kind.ROBOT, reference)


def test_the_kind_is_told_by_the_end_of_the_name() -> None:
    assert kind_of(Path("mine.robot.yaml")) is Kind.ROBOT
    with pytest.raises(UsageError, match=r"Did you mean \.suite\.yaml\?"):
        kind_of(Path("mine.siute.yaml"))
    with pytest.raises(UsageError):
        kind_of(Path(".suite.yaml"))


def test_the_data_lie_in_the_package_of_a_wheel_or_beside_that_of_a_checkout(tmp_path: Path) -> None:
    package = tmp_path / "hil"
    package.mkdir()
    with pytest.raises(InternalError, match="the files shipped with hil are missing"):
        data_folder(package)
    for folder in ("protocols", "suites"):
        (tmp_path / folder).mkdir()
    assert data_folder(package) == tmp_path
    for folder in ("protocols", "suites"):
        (package / "_data" / folder).mkdir(parents=True)
    assert data_folder(package) == package / "_data"


def test_the_wheel_finds_its_own_files_far_from_the_checkout(tmp_path: Path) -> None:
    build = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
    name = subprocess.run(
        [sys.executable, "-c", build, str(tmp_path)], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout.split()[-1]
    zipfile.ZipFile(tmp_path / name).extractall(tmp_path / "site")
    ask = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from hil.catalogue import shipped\n"
        "from hil.spec.kinds import Kind\n"
        "print(*(path for kind in Kind for path in shipped(kind).values()), sep='\\n')"
    )
    found = subprocess.run(
        [sys.executable, "-c", ask, str(tmp_path / "site")], cwd=tmp_path, check=True, capture_output=True, text=True
    ).stdout.split("\n")[:-1]
    assert {Path(path).relative_to(tmp_path / "site" / "hil" / "_data") for path in found} == {
        path.relative_to(data_folder()) for kind in Kind for path in shipped(kind).values()
    }
