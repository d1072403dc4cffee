"""The dialect and the golden lines that the wire's tests speak."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

from hil.wire.dialect import Dialect

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def tagged_lines() -> Dialect:
    dialect = runpy.run_path(str(HERE / "tagged_lines.py"))["TAGGED_LINES"]
    assert isinstance(dialect, Dialect)
    return dialect
