"""A document held against a pydantic model, with every mistake reported at the place where it stands.

A model is tried, each error is reported, the wrong value is taken out of the document, and the rest is tried again
until it fits: so one wrong value hides nothing else, and the references of what is left can be checked too. Compilers
report their own findings through the same `Document`.
"""

from __future__ import annotations

import re
import types
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import PydanticCustomError

from hil.errors import FileMistakes, Mistake
from hil.spec.document import Node, Source, ancestors, read_source
from hil.spec.wording import near, one_of, quoted

M = TypeVar("M", bound="FilePart")
Key = tuple[object, ...]

_ROUNDS = 40  # each round takes out at least one value per error reported; more would be a defect of ours
_PLACEHOLDER = "missing"  # stands in for a text so that the part around it is still checked


class FilePart(BaseModel):
    """Base of the models: unknown keys are errors, nothing is converted silently, and what was read stays as it is."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True)


def wrong(expected: str, *, found: str = "", near_miss: str = "") -> PydanticCustomError:
    """Return the error that a validator raises; `expected` completes the sentence *expected …*."""
    return PydanticCustomError("wrong", "{expected}", {"expected": expected, "found": found, "near_miss": near_miss})


class Expectation:
    """A mark on an annotated type: the words for what belongs there, and an example where there is one."""

    def __init__(self, text: str, example: str = "") -> None:
        self.text = text
        self.example = example


def _shown(path: Path) -> str:
    """Return a file's name for messages, from the working folder where it lies below."""
    try:
        return str(path.resolve().relative_to(Path.cwd().resolve()))
    except (OSError, ValueError):
        return str(path)


class Document:
    """One file being checked: its root node and the mistakes found in it so far."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.source: Source
        self.root: Node | None
        self.source, self.root = read_source(path, _shown(path))

    @property
    def mistakes(self) -> list[Mistake]:
        """The mistakes found so far, in the order of the file."""
        return sorted(self.source.mistakes, key=lambda m: (m.file != self.source.file, m.file, m.line, m.column))

    def raise_mistakes(self) -> None:
        """Raise `FileMistakes` if there are any."""
        if self.source.mistakes:
            raise FileMistakes(self.mistakes)

    def node(self, at: Key) -> Node | None:
        """Return the node at a place, or None where the file has none."""
        if self.root is None:
            return None
        met = list(ancestors(self.root, at))
        return met[-1] if len(met) == len(at) + 1 else None

    def is_doubtful(self, at: Key) -> bool:
        """Tell whether a place is part of something whose kind is not known, since its word was wrong or missing."""
        met = [] if self.root is None else list(ancestors(self.root, at))[1:]
        return any(entry.is_choice for node in met for entry in node.entries.values())

    def has(self, at: Key, key: str) -> bool:
        """Tell whether the file has a key at a place, be its value right or wrong."""
        node = self.node(at)
        return node is not None and key in node.entries

    def is_broken(self, at: Key) -> bool:
        """Tell whether something that stands right at a place was wrong and was taken out."""
        node = self.node(at)
        return node is not None and any(one.pruned for one in (*node.entries.values(), *node.items))

    def is_filled(self, at: Key) -> bool:
        """Tell whether something right at a place stands in for what is wrong or missing."""
        node = self.node(at)
        return node is not None and any(one.stands_in for one in node.entries.values())

    def report(
        self, at: Key, *, expected: str, found: str = "", near_miss: str = "", key: bool = False, member: str = ""
    ) -> None:
        """Report a mistake at a place, or at its nearest part that the file has; `key`: at the key and not its value.

        Without `found` the value is described as it stands. `member` names a part that is missing there.
        """
        if self.root is None or self.is_doubtful(at):
            return
        node = list(ancestors(self.root, at))[-1]
        there = node.entries.get(member)
        if node.stands_in or (there is not None and (there.pruned or there.stands_in)):
            return  # what is wrong or missing there has been reported
        path = ".".join(part for part in (node.path, member) if part) or "file"
        line, column = (node.key_line, node.key_column) if key or member else (node.line, node.column)
        self.source.report(line, column, path, found=found or node.described(), expected=expected, near_miss=near_miss)

    def report_name(self, at: Key, kind: str, name: str, known: Iterable[str], *, key: bool = False) -> None:
        """Report a name that is not among the known ones, which are listed where they are few."""
        names = sorted(known)
        listed = f"{kind} ({one_of(names)})" if 0 < len(names) <= 8 else kind
        expected = listed if names else f"{kind}, of which there are none"
        self.report(at, found=quoted(name), expected=expected, near_miss=near(name, names), key=key)

    def fit(self, model: type[M]) -> M | None:
        """Return the document as `model`, without what is wrong in it; None where nothing is left to return."""
        for _ in range(_ROUNDS):
            if self.root is None or self.root.pruned:
                return None
            try:
                return model.model_validate(self.root.plain())
            except ValidationError as failure:
                problems = failure.errors(include_url=False)
            # Places are found before anything is taken out, since taking out an item renumbers those behind it.
            places = [(problem, self._place(problem["loc"])) for problem in problems]
            for problem, (node, at) in places:
                if self.source.is_full:
                    return None
                self._report_problem(model, problem, node, at)
            for problem, (node, at) in places:
                self._take_out(model, problem, node, at)
        return None

    def _place(self, loc: Key) -> tuple[Node, Key]:
        """Return the deepest node at `loc` and the part of `loc` that leads to it."""
        assert self.root is not None  # noqa: S101  (only called while there is a root)
        met = list(ancestors(self.root, tuple(part for part in loc if part != "[key]")))
        return met[-1], loc[: len(met) - 1]

    def _report_problem(self, model: type[BaseModel], problem: Any, node: Node, at: Key) -> None:
        if node.stands_in:
            return  # what it stands in for has been reported
        found, expected, near_miss = node.described(), "", ""
        kind, context = problem["type"], problem.get("ctx", {})
        member = ""
        if kind == "too_short" and any(item.pruned for item in node.items):
            return  # it was long enough with what was wrong in it
        if kind == "missing":
            member = str(problem["loc"][-1])
            if member in node.entries:
                return  # it was there, but wrong, and has been reported
            found, expected = "nothing", _expectation_of(model, problem["loc"]) or "a value"
        elif kind == "extra_forbidden":
            names = sorted(_keys_of(model, problem["loc"][:-1]))
            key = str(problem["loc"][-1])
            found, near_miss = f"the unknown key {quoted(key)}", near(key, names)
            expected = one_of(names)
            if node.scalar is None and node.kind == "scalar" and " " in key:
                # What stands behind a comma inside braces is a key of its own, which no writer of a sentence means.
                found, expected = f"{quoted(key)} behind a comma", "the whole text in quotes, since a comma ends it"
        elif kind == "wrong":
            found, expected, near_miss = context["found"] or found, context["expected"], context["near_miss"]
        elif kind == "literal_error":
            words = re.findall(r"'([^']*)'", context["expected"])
            expected, near_miss = one_of(words), near(getattr(node.scalar, "text", node.scalar), words)
        else:
            expected = _EXPECTED.get(kind, "").format(**context) or problem["msg"]
        is_key = kind == "extra_forbidden" or member != ""
        line, column = (node.key_line, node.key_column) if is_key else (node.line, node.column)
        path = ".".join(part for part in (node.path, member) if part) or "file"
        self.source.report(line, column, path, found=found, expected=expected, near_miss=near_miss)

    def _take_out(self, model: type[BaseModel], problem: Any, node: Node, at: Key) -> None:
        """Put something in where a value is missing, if anything can stand in for it; else take the node out."""
        if problem["type"] == "missing" and node.kind == "mapping":
            name = str(problem["loc"][-1])
            stand_in = _stand_in(_annotation(model, problem["loc"]))
            if stand_in is not None:
                stand_in.path = f"{node.path}.{name}" if node.path else name
                stand_in.line, stand_in.column = node.line, node.column
                stand_in.key_line, stand_in.key_column = node.line, node.column
                node.entries[name] = stand_in
                return
        node.pruned = True


_EXPECTED = {
    "string_type": "text",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "list_type": "a list",
    "tuple_type": "a list",
    "dict_type": "a mapping",
    "model_type": "a mapping",
    "model_attributes_type": "a mapping",
    "greater_than": "a number above {gt}",
    "greater_than_equal": "a number of at least {ge}",
    "less_than": "a number below {lt}",
    "less_than_equal": "a number of at most {le}",
    "string_too_short": "a text of at least {min_length} characters",
    "string_too_long": "a text of at most {max_length} characters",
    "too_short": "a list of at least {min_length}",
    "too_long": "a list of at most {max_length}",
}


def _bare(annotation: Any) -> Any:
    """Strip `Annotated` and an optional None from an annotation."""
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation = get_args(annotation)[0]
        elif origin is Union or origin is types.UnionType:
            kept = [part for part in get_args(annotation) if part is not type(None)]
            annotation = kept[0]
        else:
            return annotation


def _annotation(model: Any, loc: Sequence[object]) -> Any:
    """Return the annotation at a place of a model, or None where the place is none of the model."""
    here: Any = model
    for part in loc:
        here = _bare(here)
        if isinstance(here, type) and issubclass(here, BaseModel):
            named = {field.alias or name: field for name, field in here.model_fields.items()}
            if part not in named:
                return None
            field = named[str(part)]
            here = Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation
        elif get_origin(here) in (dict, list):
            here = get_args(here)[-1]
        else:
            return None
    return here


def _keys_of(model: Any, loc: Sequence[object]) -> set[str]:
    here = _bare(_annotation(model, loc))
    if isinstance(here, type) and issubclass(here, BaseModel):
        return {field.alias or name for name, field in here.model_fields.items()}
    return set()


def _stand_in(annotation: Any) -> Node | None:
    """Return a node that fits an annotation, or None where only the user can say what belongs there."""
    bare = _bare(annotation)
    words = get_args(bare) if get_origin(bare) is Literal else ()
    marks = get_args(annotation)[1:] if get_origin(annotation) is Annotated else ()
    examples = [mark.example for mark in marks if isinstance(mark, Expectation) and mark.example]
    kind, scalar = "scalar", None
    items: list[Node] = []
    if examples:
        scalar = examples[0]
    elif bare is str:
        scalar = _PLACEHOLDER
    elif words:
        scalar = words[0]
    elif get_origin(bare) is list:
        kind, least = "list", max((getattr(mark, "min_length", 0) for mark in marks), default=0)
        for item in (_stand_in(get_args(bare)[0]) for _ in range(least)):
            if item is None:
                return None
            items.append(item)
    elif get_origin(bare) is dict:
        kind = "mapping"
    else:
        return None
    return Node("", 0, 0, 0, 0, kind, scalar, items=items, stands_in=True, is_choice=bool(words))


def _expectation_of(model: Any, loc: Sequence[object]) -> str:
    """Return what a missing value should be, from its annotation."""
    annotation = _annotation(model, loc)
    if get_origin(annotation) is Annotated:
        for part in get_args(annotation)[1:]:
            if isinstance(part, Expectation):
                return part.text
    bare = _bare(annotation)
    if isinstance(bare, type) and issubclass(bare, BaseModel):
        return "a mapping"
    if get_origin(bare) is list:
        return "a list"
    if get_origin(bare) is dict:
        return "a mapping"
    words = get_args(bare)
    if words and all(isinstance(word, str) for word in words):
        return one_of(words)
    return {str: "text", int: "a whole number", float: "a number"}.get(bare, "a value")
