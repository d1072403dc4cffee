"""The floors of the package: a module imports its own floor or below, wherever the import stands."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import hil

PACKAGE = Path(hil.__file__).parent

# The longest prefix counts. DEVELOPERS.md draws the same table.
FLOORS = {
    "hil": 0,
    "hil.errors": 0,
    "hil.outcomes": 0,
    "hil.quantities": 0,
    "hil.vocabulary": 0,
    "hil.timing": 0,
    "hil.wire": 1,
    "hil.measure": 1,
    "hil.judge": 1,
    "hil.spec": 2,
    "hil.plan": 2,
    "hil.simulator": 2,
    "hil.results": 2,
    "hil.reports": 2,
    "hil.transports": 3,
    "hil.store": 3,
    "hil.catalogue": 3,
    "hil.engine": 4,
    "hil.cli": 5,
}


def floor_of(module: str) -> int:
    parts = module.split(".")
    for length in range(len(parts), 0, -1):
        if (prefix := ".".join(parts[:length])) in FLOORS and (length > 1 or module == "hil"):
            return FLOORS[prefix]
    raise AssertionError(f"{module} stands on no floor; add it to the table and to DEVELOPERS.md")


def name_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path: Path) -> list[tuple[int, str]]:
    """Every import anywhere in the file, under TYPE_CHECKING and inside functions too."""
    found: list[tuple[int, str]] = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            module = node.module or ""
            found += [(node.lineno, f"{module}.{alias.name}" if module == "hil" else module) for alias in node.names]
    return [(line, name) for line, name in found if name.split(".")[0] == "hil"]


MODULES = sorted(path for path in PACKAGE.rglob("*.py") if "_data" not in path.parts)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_module_imports_its_own_floor_or_below(path: Path) -> None:
    own = floor_of(name_of(path))
    above = [
        f"line {line}: {name}" for line, name in imports_of(path) if name != "hil.__version__" and floor_of(name) > own
    ]
    assert not above, f"{name_of(path)} (floor {own}) imports from above: {above}"


def test_nothing_that_measures_judges_or_runs_imports_the_simulator() -> None:
    knows = [
        f"{name_of(path)}:{line}"
        for path in MODULES
        if name_of(path).startswith(("hil.measure", "hil.judge", "hil.engine"))
        for line, name in imports_of(path)
        if name.startswith("hil.simulator")
    ]
    assert knows == []


def test_only_spec_knows_pydantic() -> None:
    users = {
        name_of(path)
        for path in MODULES
        if "pydantic" in path.read_text()
        and any("pydantic" in line for line in path.read_text().splitlines() if "import" in line)
    }
    assert all(user.startswith("hil.spec") for user in users), users


def test_the_floor_check_sees_an_import_from_above(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("def f():\n    import hil.engine.runner\n")
    assert imports_of(bad) == [(2, "hil.engine.runner")]
    assert floor_of("hil.engine.runner") > floor_of("hil.measure.straight")
