"""Whatever stands in a file, the loaders give a value or a list of mistakes, and nothing else."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.catalogue import Catalogue, shipped
from hil.errors import FileMistakes
from hil.spec.kinds import Kind
from hil.spec.loading import load_many

TEXTS = {
    path.name: (kind, path.read_text(encoding="utf-8")) for kind in Kind for path in sorted(shipped(kind).values())
}
QUIET = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
JUNK = st.sampled_from(
    ["", "null", "[]", "{}", "-1", "1e9", "yes", "'", "x: y", "- 1", "5 mm", "{a: [b]}", "\t", "\x00", "é", "&a", "*a"]
)


def _load(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", errors="surrogatepass")
    with contextlib.suppress(FileMistakes):
        load_many([path], Catalogue(path.parent))


@QUIET
@given(text=st.text(max_size=200), kind=st.sampled_from(Kind))
def test_any_text_gives_mistakes(text: str, kind: Kind, tmp_path: Path) -> None:
    _load(tmp_path / f"x{kind.ending}", text.encode("utf-8", "replace").decode())


@QUIET
@given(data=st.data(), name=st.sampled_from(sorted(TEXTS)))
def test_a_file_with_a_line_spoilt_gives_a_value_or_mistakes(data: st.DataObject, name: str, tmp_path: Path) -> None:
    kind, text = TEXTS[name]
    lines = text.split("\n")
    for _ in range(data.draw(st.integers(1, 3))):
        index = data.draw(st.integers(0, len(lines) - 1))
        head, colon, _ = lines[index].partition(":")
        lines[index] = data.draw(st.sampled_from([f"{head}{colon} ", f"{head}x{colon} ", ""])) + data.draw(JUNK)
    _load(tmp_path / f"x{kind.ending}", "\n".join(lines))


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_a_file_with_any_one_line_left_out_gives_a_value_or_mistakes(name: str, tmp_path: Path) -> None:
    kind, text = TEXTS[name]
    lines = text.split("\n")
    for index in range(0, len(lines), 4):
        _load(tmp_path / f"x{kind.ending}", "\n".join(lines[:index] + lines[index + 1 :]))
