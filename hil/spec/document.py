"""YAML text read into nodes that know where they stand, within bounds, with every mistake of the text collected.

The text is YAML 1.2: `on`, `off`, `yes` and `no` are words. Refused are tags, anchors and aliases (nothing in these
files needs them, and ten lines of aliases can unfold to gigabytes), keys given twice, keys that are not plain text,
more than one document, tabs as indentation, and files beyond the bounds below. Nothing is evaluated.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML, events
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.reader import ReaderError

from hil.errors import Mistake
from hil.spec.wording import quoted, shown

LARGEST_FILE = 256 * 1024  # bytes; the largest file shipped has a few kilobytes, and parsing is slow above this
DEEPEST = 16  # levels of nesting; a suite needs nine
MOST_NODES = 20_000  # values in one file; a file of the largest size holds about that many useful ones
MOST_MISTAKES = 200  # of one file; nobody reads more before mending some, and near misses cost time
_LONGEST_NUMBER = 40  # characters; longer digits are text, since Python's int() is quadratic in them

_INTEGER = re.compile(r"[-+]?\d+")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(?:\.\d+|\d+(?:\.\d*)?)(?:[eE][-+]?\d{1,3})?")


class WrittenInt(int):
    """A whole number that remembers how it was written, so that `0012` can still be a serial number."""

    text: str


class WrittenFloat(float):
    """A number with a point or exponent that remembers how it was written."""

    text: str


@dataclass(slots=True, eq=False)
class Node:
    """One value of a file; a mapping's members stand under `entries`, a list's in `items`.

    `line` and `column` count from 1. `key_line` and `key_column` say where the key stands under which it is found (of a
    list's item: the item). A node that is wrong is `pruned` once reported, and the rest of the file is checked as if
    it were not there; where something must stand there, a value that `stands_in` for it is put in. One that stands in
    for a word out of a few is a `choice`: what stands beside it may be right for the word that was meant.
    """

    path: str
    line: int
    column: int
    key_line: int
    key_column: int
    kind: str  # "mapping", "list" or "scalar"
    scalar: Any = None
    style: str = ""
    entries: dict[str, Node] = field(default_factory=dict)
    items: list[Node] = field(default_factory=list)
    pruned: bool = False
    stands_in: bool = False
    is_choice: bool = False

    def plain(self) -> Any:
        """Return the value as dicts, lists and scalars, without what is pruned."""
        if self.kind == "mapping":
            return {key: node.plain() for key, node in self.entries.items() if not node.pruned}
        if self.kind == "list":
            return [node.plain() for node in self.items if not node.pruned]
        return self.scalar

    def child(self, key: object) -> Node | None:
        """Return the member under a key, or the item of that number among those not pruned."""
        if self.kind == "mapping":
            node = self.entries.get(str(key))
            return None if node is None or node.pruned else node
        if self.kind == "list" and isinstance(key, int):
            kept = [node for node in self.items if not node.pruned]
            return kept[key] if 0 <= key < len(kept) else None
        return None

    def words(self) -> Iterator[str]:
        """Yield the scalars of it and below it, as text."""
        if self.kind == "scalar":
            yield str(self.scalar)
        for below in (*self.entries.values(), *self.items):
            yield from below.words()

    def described(self) -> str:
        """Return a few words for what stands here, for a mistake's *found*."""
        if self.kind == "mapping":
            return "a mapping" if self.entries else "an empty mapping"
        if self.kind == "list":
            return f"a list of {len(self.items)}" if self.items else "an empty list"
        if self.scalar is None:
            return "nothing"
        text = getattr(self.scalar, "text", self.scalar)
        if isinstance(text, bool):
            return "true" if text else "false"
        return quoted(str(text))


@dataclass(slots=True)
class Source:
    """The text of a file as read: its name for messages, its lines, and the mistakes found so far."""

    file: str
    lines: list[str]
    digest: str = ""  # sha-256 of the bytes read
    mistakes: list[Mistake] = field(default_factory=list)

    @property
    def is_full(self) -> bool:
        """Whether so many mistakes were found that no more are looked for."""
        return len(self.mistakes) > MOST_MISTAKES

    def report(self, line: int, column: int, path: str, *, found: str, expected: str, near_miss: str = "") -> None:
        """Add a mistake, unless the same was found at the same place already, be it for another reason."""
        if self.is_full:
            return
        if len(self.mistakes) == MOST_MISTAKES:
            found, expected, near_miss = f"more than {MOST_MISTAKES} mistakes", "these to be mended first", ""
        mistake = Mistake(
            file=self.file,
            line=line,
            column=column,
            path=shown(path),
            found=found,
            expected=expected,
            near_miss=near_miss,
        )
        place = (line, column, mistake.path, found)
        if place not in ((one.line, one.column, one.path, one.found) for one in self.mistakes):
            self.mistakes.append(mistake)


def read_source(path: Path, file: str) -> tuple[Source, Node | None]:
    """Read a file into nodes; the node is None where nothing could be read, with the reason among the mistakes."""
    source = Source(file, [])
    try:
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        source.report(1, 1, "file", found=(error.strerror or "an error").lower(), expected="a file that can be read")
        return source, None
    if len(data) > LARGEST_FILE:
        source.report(
            1, 1, "file", found=f"more than {LARGEST_FILE // 1024} KiB", expected=f"at most {LARGEST_FILE // 1024} KiB"
        )
        return source, None
    source.digest = hashlib.sha256(data).hexdigest()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        column = error.start - data.rfind(b"\n", 0, error.start)
        source.report(line, column, "file", found=f"the byte 0x{data[error.start]:02x}", expected="text in UTF-8")
        return source, None
    return source, parse(text, source)


def parse(text: str, source: Source) -> Node | None:
    """Read YAML text into nodes, reporting to `source`; None where the text is no YAML or beyond the bounds."""
    source.lines = text.split("\n")
    reader = YAML(typ="safe", pure=True)
    builder = _Builder(source)
    try:
        for event in reader.parse(text):
            if not builder.take(event):
                return None
    except MarkedYAMLError as error:
        _report_syntax(error, source)
        return None
    except ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        column = error.position - text.rfind("\n", 0, error.position)
        code = error.character if isinstance(error.character, int) else ord(error.character)
        source.report(line, column, "file", found=f"the control character 0x{code:02x}", expected="plain text")
        return None
    except YAMLError as error:
        source.report(1, 1, "file", found=str(error).split("\n", 1)[0], expected="YAML 1.2")
        return None
    if builder.root is None:
        source.report(1, 1, "file", found="nothing", expected="a mapping")
    elif builder.root.kind != "mapping":
        source.report(1, 1, "file", found=builder.root.described(), expected="a mapping")
    else:
        return builder.root
    return None


def _report_syntax(error: MarkedYAMLError, source: Source) -> None:
    """Report what the YAML parser could not read, in words for somebody who does not know YAML's grammar."""
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    written = source.lines[line - 1] if line <= len(source.lines) else ""
    problem = error.problem or "something that is not YAML"
    expected = "YAML 1.2"
    if "\t" in written[: len(written) - len(written.lstrip())] or "'\\t'" in problem:
        problem, expected = "a tab", "blanks as indentation"
    elif re.search(r":\s+>=", written) or (line > 1 and re.search(r":\s+>=", source.lines[line - 2])):
        problem, expected = "a text that begins with '>'", 'it in quotes, such as ">= 2 V"'
    elif (parts := re.fullmatch(r"(?:did not find )?expected (.+?)(?:, but (?:got|found) (.+))?", problem)) is not None:
        problem, expected = parts[2] or "something else", parts[1]
    source.report(line, column, "file", found=problem, expected=expected)


class _Builder:
    """Builds nodes from parser events, with a stack of its own so that depth is bounded before Python's is reached."""

    def __init__(self, source: Source) -> None:
        self.root: Node | None = None
        self._source = source
        self._stack: list[Node] = []
        self._keys: list[tuple[str, int, int] | None] = []  # the pending key of each open mapping
        self._skipped: list[bool] = []  # whether the pending value of each open mapping is to be thrown away
        self._nodes = 0
        self._documents = 0

    def take(self, event: Any) -> bool:
        """Take one event; false where reading must stop."""
        if isinstance(event, events.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                self._refuse(event, "a second document ('---')", "one document in a file")
                return False
        elif isinstance(event, events.AliasEvent):
            self._refuse(event, f"the alias '*{event.anchor}'", "the value itself; anchors and aliases are not used")
            return False
        elif isinstance(event, events.CollectionEndEvent):
            self._stack.pop()
            self._keys.pop()
        elif isinstance(event, events.NodeEvent):
            return self._take_node(event)
        return True

    def _take_node(self, event: Any) -> bool:
        self._nodes += 1
        if self._nodes > MOST_NODES:
            self._refuse(event, f"more than {MOST_NODES} values", "a smaller file")
            return False
        if event.anchor:
            self._refuse(event, f"the anchor '&{event.anchor}'", "the value alone; anchors and aliases are not used")
            return False
        tag = getattr(event, "tag", None)
        if tag and str(tag) != "!":
            self._refuse(event, f"the tag {quoted(str(tag))}", "the value alone; tags are not used")
            return False
        if len(self._stack) >= DEEPEST and not isinstance(event, events.ScalarEvent):
            self._refuse(event, f"more than {DEEPEST} levels of nesting", "a flatter file")
            return False
        if self._stack and self._stack[-1].kind == "mapping" and self._keys[-1] is None:
            return self._take_key(event)
        self._take_value(event)
        return True

    def _take_key(self, event: Any) -> bool:
        if not isinstance(event, events.ScalarEvent):
            self._refuse(event, "a key that is a mapping or a list", "a name as key")
            return False
        self._keys[-1] = (str(event.value), event.start_mark.line + 1, event.start_mark.column + 1)
        return True

    def _take_value(self, event: Any) -> None:
        line, column = event.start_mark.line + 1, event.start_mark.column + 1
        parent = self._stack[-1] if self._stack else None
        path, key_line, key_column, key = "", line, column, ""
        if parent is not None and parent.kind == "mapping":
            pending = self._keys[-1]
            assert pending is not None  # noqa: S101  (a value event always follows its key)
            key, key_line, key_column = pending
            self._keys[-1] = None
            path = f"{parent.path}.{key}" if parent.path else key
        elif parent is not None:
            path = f"{parent.path}[{len(parent.items)}]"
        node = _node_of(event, path, line, column, key_line, key_column)
        if parent is None:
            self.root = node
        elif parent.kind == "list":
            parent.items.append(node)
        elif key in parent.entries:
            first = parent.entries[key]
            self._source.report(
                key_line,
                key_column,
                path,
                found="the key twice",
                expected=f"it once; it stands in line {first.key_line} too",
            )
        else:
            parent.entries[key] = node
        if node.kind != "scalar":
            self._stack.append(node)
            self._keys.append(None)

    def _refuse(self, event: Any, found: str, expected: str) -> None:
        path = self._stack[-1].path if self._stack else ""
        mark = event.start_mark
        self._source.report(mark.line + 1, mark.column + 1, path or "file", found=found, expected=expected)


def _node_of(event: Any, path: str, line: int, column: int, key_line: int, key_column: int) -> Node:
    if isinstance(event, events.ScalarEvent):
        scalar = _scalar(event.value) if event.style is None else str(event.value)
        return Node(path, line, column, key_line, key_column, "scalar", scalar, event.style or "")
    kind = "mapping" if isinstance(event, events.MappingStartEvent) else "list"
    return Node(path, line, column, key_line, key_column, kind)


def _scalar(text: str) -> Any:
    """Return the value of an unquoted scalar by the core schema of YAML 1.2, without infinities."""
    if text in ("", "~", "null"):
        return None
    if text in ("true", "false"):
        return text == "true"
    if len(text) <= _LONGEST_NUMBER:
        if _INTEGER.fullmatch(text) or _HEXADECIMAL.fullmatch(text):
            whole = WrittenInt(text, 16 if text.startswith("0x") else 10)
            whole.text = text
            return whole
        if _FLOAT.fullmatch(text):
            number = WrittenFloat(text)
            number.text = text
            return number
    return text


def ancestors(node: Node, keys: tuple[object, ...]) -> Iterator[Node]:
    """Go down from `node` by `keys` and yield every node met, the deepest last; stops where a key leads nowhere."""
    yield node
    for key in keys:
        below = node.child(key)
        if below is None:
            return
        node = below
        yield node
