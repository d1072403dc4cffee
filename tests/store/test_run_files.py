"""The files of a run in its folder: as they were, found by what referred to them, nowhere else."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.errors import UsageError
from hil.spec.kinds import Found, Kind, UnknownReferenceError
from hil.store.run_files import KeptFiles, keep_files


def written(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A bench on which two suites mean different courses by the same word."""
    folder = tmp_path / "bench"
    for name in ("one", "two"):
        written(folder / name / "loop.suite.yaml", f"suite {name}")
        written(folder / name / "loop.course.yaml", f"course {name}")
    return folder


@pytest.fixture
def kept(tmp_path: Path, bench: Path) -> Path:
    run = tmp_path / "run"
    run.mkdir()
    catalogue = Catalogue(bench)
    suites = [bench / name / "loop.suite.yaml" for name in ("one", "two")]
    courses = [catalogue.find(Kind.COURSE, "loop", beside=suite) for suite in suites]
    keep_files(run, [*suites, *courses, suites[0]], catalogue.found)
    return run


def test_files_of_one_name_are_kept_side_by_side_and_each_once(kept: Path) -> None:
    found = {path.name: path.read_text() for path in (kept / "files").glob("*.yaml")}
    assert found == {
        "loop.suite.yaml": "suite one",
        "2-loop.suite.yaml": "suite two",
        "loop.course.yaml": "course one",
        "2-loop.course.yaml": "course two",
    }


def test_each_suite_finds_the_course_that_it_meant(kept: Path) -> None:
    files = KeptFiles(kept, Catalogue(kept))
    for suite, course in (("loop.suite.yaml", "course one"), ("2-loop.suite.yaml", "course two")):
        assert files.find(Kind.COURSE, "loop", beside=files.file(suite)).read_text() == course


def test_a_file_from_elsewhere_means_the_runs_by_name_and_its_own_by_path(tmp_path: Path, bench: Path) -> None:
    run = tmp_path / "one-run"
    run.mkdir()
    suite = bench / "one" / "loop.suite.yaml"
    course = bench / "one" / "loop.course.yaml"
    keep_files(run, [suite, course], [Found(kind=Kind.COURSE, reference="loop", beside=suite, file=course)])
    files = KeptFiles(run, Catalogue(bench))
    other = bench / "two" / "loop.suite.yaml"
    assert files.find(Kind.COURSE, "loop", beside=other).read_text() == "course one"
    assert files.find(Kind.COURSE, "loop.course.yaml", beside=other).read_text() == "course two"
    with pytest.raises(UnknownReferenceError, match="no course is called 'lop'"):
        files.find(Kind.COURSE, "lop", beside=other)


def test_a_name_that_meant_two_files_is_looked_for_elsewhere(kept: Path, bench: Path) -> None:
    files = KeptFiles(kept, Catalogue(bench))
    other = written(bench / "two" / "other.suite.yaml", "")
    assert files.find(Kind.COURSE, "loop", beside=other) == bench / "two" / "loop.course.yaml"


def test_a_file_that_was_changed_is_told(kept: Path) -> None:
    files = KeptFiles(kept, Catalogue(kept))
    assert files.changed == ()
    (kept / "files" / "2-loop.course.yaml").write_text("course two, mended")
    assert files.changed == ("2-loop.course.yaml",)


@pytest.mark.parametrize("name", ["../../secret", "sub/file", ".hidden", ""])
def test_an_index_that_leads_out_of_its_folder_is_refused(kept: Path, name: str) -> None:
    index = kept / "files" / "index.json"
    content = json.loads(index.read_text())
    content["files"][name] = {"was": "x", "sha256": ""}
    index.write_text(json.dumps(content))
    with pytest.raises(UsageError, match="the index cannot be used"):
        KeptFiles(kept, Catalogue(kept))


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"format": 2}', '{"format": 1, "files": [], "references": []}'])
def test_what_is_no_index_is_refused(kept: Path, text: str) -> None:
    (kept / "files" / "index.json").write_text(text)
    with pytest.raises(UsageError, match="the index cannot be used"):
        KeptFiles(kept, Catalogue(kept))


def test_a_reference_to_a_file_that_was_not_kept_is_refused(kept: Path) -> None:
    index = kept / "files" / "index.json"
    content = json.loads(index.read_text())
    content["references"][0]["file"] = "../../../etc/passwd"
    index.write_text(json.dumps(content))
    files = KeptFiles(kept, Catalogue(kept))
    with pytest.raises(UsageError, match="of the run is not there"):
        files.find(Kind.COURSE, "loop", beside=files.file(content["references"][0]["by"]))
