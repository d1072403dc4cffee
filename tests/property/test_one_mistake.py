"""One wrong value in a shipped file is told once, and makes no second mistake elsewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hil.catalogue import Catalogue, shipped
from hil.errors import FileMistakes
from hil.spec.kinds import Kind
from hil.spec.loading import load_course, load_protocol, load_robot, load_suite

WRONG = "'?wrong'"
# A value behind "key: " or in a list, up to what ends it; sentences with commas are broken in two and told twice.
VALUE = re.compile(r"(?:(?<=: )|(?<=\[)|(?<=, ))([^\s\[\]{},:\"'#][^\[\]{},\n#:\"']*)(?=[,\]}\n])")
LEAST_TOLD = 0.25  # of the values tried; the others may be any text, as what people read may
TRIED = 8  # values of each file


def spots(text: str) -> list[tuple[int, int]]:
    found = []
    for match in VALUE.finditer(text):
        line = text[text.rfind("\n", 0, match.start()) + 1 : match.start()]
        if "#" not in line and ":" in line:
            found.append(match.span())
    return found


def mistakes(path: Path, kind: Kind) -> list[str]:
    try:
        if kind is Kind.COURSE:
            load_course(path)
        elif kind is Kind.PROTOCOL:
            load_protocol(path)
        elif kind is Kind.ROBOT:
            load_robot(path, Catalogue())
        else:
            load_suite(path, Catalogue())
    except FileMistakes as caught:
        return [str(one) for one in caught.mistakes]
    return []


FILES = [(kind, name) for kind in (Kind.SUITE, Kind.ROBOT, Kind.COURSE, Kind.PROTOCOL) for name in shipped(kind)]


@pytest.mark.parametrize(("kind", "name"), FILES, ids=[f"{kind.value}-{name}" for kind, name in FILES])
def test_one_wrong_value_is_one_mistake(tmp_path: Path, kind: Kind, name: str) -> None:
    file = shipped(kind)[name]
    text = file.read_text(encoding="utf-8")
    path = tmp_path / file.name
    every = spots(text)
    tried = every[:: max(1, len(every) // TRIED)]
    count = 0
    for begin, end in tried:
        path.write_text(text[:begin] + WRONG + text[end:], encoding="utf-8")
        told = mistakes(path, kind)
        assert len(told) <= 1, f"{file.name}: {text[max(0, begin - 40) : end]!r}: {told}"
        count += len(told)
    assert count >= LEAST_TOLD * len(tried)
