"""What the wheel holds is what the repository holds, and the tests run on the installed package."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import hil

ROOT = Path(__file__).resolve().parent.parent


def tracked(*folders: str) -> set[str]:
    listing = subprocess.run(
        ["git", "ls-files", "-z", "--", *folders], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout
    return {name for name in listing.split("\0") if name and (ROOT / name).exists()}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """Build the wheel with the build back end alone, so that no network is needed."""
    folder = tmp_path_factory.mktemp("wheel")
    program = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
    built = subprocess.run(
        [sys.executable, "-c", program, str(folder)], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout.split()[-1]
    return zipfile.ZipFile(folder / built)


def test_the_wheel_holds_exactly_the_tracked_files(wheel: zipfile.ZipFile) -> None:
    expected = set()
    for name in tracked("hil", "protocols", "suites"):
        expected.add(name if name.startswith("hil/") else f"hil/_data/{name}")
    held = {name for name in wheel.namelist() if ".dist-info/" not in name}
    assert held == expected


def test_the_data_folders_hold_no_python() -> None:
    assert [name for name in tracked("protocols", "suites") if name.endswith(".py")] == []


def test_the_package_under_test_is_where_python_finds_it() -> None:
    """In the gate this is the installed package, not the checkout: importlib mode puts nothing on the path."""
    location = Path(hil.__file__).resolve()
    if os.environ.get("HIL_NO_SKIPS"):
        assert ROOT not in location.parents or ".venv" in location.parts, location
    assert location.name == "__init__.py"


def test_the_readme_holds_the_two_commands() -> None:
    text = (ROOT / "README.md").read_text()
    assert "\npython3 -m venv .venv && .venv/bin/pip install . && .venv/bin/hil run --virtual\n" in text
    assert "\n.venv/bin/pip install '.[test]' && .venv/bin/pytest\n" in text
