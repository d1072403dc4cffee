"""The kinds of value that stand in the files: text, names, yes and no, quantities with units, cells, pairs.

Each is an annotated type that the models use; each refuses with the words of a mistake. A quantity is written with its
unit (`5 mm`) and becomes a plain float in the unit that the type's name says.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BeforeValidator, GetCoreSchemaHandler, GetJsonSchemaHandler, WithJsonSchema
from pydantic_core import CoreSchema, core_schema

from hil.quantities import QuantityError, quantity_in
from hil.spec.checking import Expectation, wrong
from hil.spec.document import WrittenFloat, WrittenInt
from hil.spec.wording import quoted

LONGEST_LINE = 4096  # characters; what a robot and the tool say to each other is a line, and none may be longer
LONGEST_TEXT = 4000  # characters; a paragraph of instructions has a few hundred
BENCH = "bench"  # the record of what belongs to no surface; no surface may be called so
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_.\-]{0,63}")


def written(value: Any) -> Any:
    """Return a number as it was written, anything else unchanged."""
    return value.text if isinstance(value, WrittenInt | WrittenFloat) else value


def _text(value: Any) -> Any:
    text = written(value)
    if not isinstance(text, str):
        raise wrong("text")
    if len(text) > LONGEST_TEXT:
        raise wrong(f"a text of at most {LONGEST_TEXT} characters", found=f"{len(text)} characters")
    if not text.strip():
        raise wrong("text", found="an empty text")
    if not all(character.isprintable() or character == "\n" for character in text):
        raise wrong("text without control characters")
    return text.strip()


def _raw_text(value: Any) -> Any:
    text = written(value)
    if not isinstance(text, str) or not text:
        raise wrong("text")
    if len(text) > LONGEST_LINE:
        raise wrong(f"a text of at most {LONGEST_LINE} characters", found=f"{len(text)} characters")
    return text


def _name(value: Any) -> Any:
    text = written(value)
    if not isinstance(text, str) or not _NAME.fullmatch(text):
        raise wrong("a name (a letter, then letters, digits, - _ .)")
    return text


def _surface(value: Any) -> Any:
    name = _name(value)
    if name.lower() == BENCH:
        raise wrong(f"another name of a surface, since '{BENCH}' is the record of what belongs to none")
    return name


def is_surface(text: str) -> bool:
    """Tell whether a text is a name that a surface may have."""
    return is_name(text) and text.lower() != BENCH


def is_name(text: str) -> bool:
    """Tell whether a text is a name as files use them."""
    return _NAME.fullmatch(text) is not None


def _yes_no(value: Any) -> Any:
    if value in ("yes", "on") or value is True:
        return True
    if value in ("no", "off") or value is False:
        return False
    raise wrong("yes or no")


class InUnit(Expectation):
    """The mark of a quantity that is written with its unit and kept in `unit`; bounds are in that unit."""

    def __init__(
        self,
        unit: str,
        example: str,
        *,
        above: float | None = None,
        least: float | None = None,
        most: float | None = None,
    ) -> None:
        super().__init__(f"a quantity such as '{example}'", example)
        self.unit = unit
        self.above = above
        self.least = least
        self.most = most

    def read(self, value: Any) -> float:
        """Return the number in `unit`; raise the error of a validator where it is none."""
        text = written(value)
        if not isinstance(text, str):
            raise wrong(self.text)
        try:
            number = quantity_in(text, self.unit)
        except QuantityError as error:
            raise wrong(self.text, found=_clause(text, error)) from None
        if self.above is not None and number <= self.above:
            raise wrong(f"a quantity above {self.above:g} {self.unit}".rstrip())
        if self.least is not None and number < self.least:
            raise wrong(f"a quantity of at least {self.least:g} {self.unit}".rstrip())
        if self.most is not None and number > self.most:
            raise wrong(f"a quantity of at most {self.most:g} {self.unit}".rstrip())
        return number

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Validate by `read`."""
        return core_schema.no_info_before_validator_function(self.read, core_schema.float_schema())

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Describe it as an editor should: a text, or a plain zero."""
        return {"type": ["string", "number"], "description": self.text, "examples": [self.example]}


def _clause(text: str, error: QuantityError) -> str:
    """Return the text with what is wrong with it, where the error says more than that it is no quantity."""
    message = str(error)
    if "has no unit" in message:
        return f"{quoted(text)}, which has no unit"
    if "cannot be expressed" in message:
        return f"{quoted(text)}, whose unit does not fit"
    if "is not known" in message:
        return f"{quoted(text)}, whose unit is not known"
    return quoted(text)


class OrPlain:
    """The mark of a value that may be given in a plain form too, which `convert` makes into the full one."""

    def __init__(self, plain_type: str, convert: Callable[[Any], Any]) -> None:
        self.plain_type = plain_type
        self.convert = convert

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Convert, then validate as the full form."""
        return core_schema.no_info_before_validator_function(self.convert, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Describe both forms."""
        return {"anyOf": [{"type": self.plain_type}, handler(schema)]}


Text = Annotated[str, BeforeValidator(_text), Expectation("text"), WithJsonSchema({"type": ["string", "number"]})]
RawText = Annotated[str, BeforeValidator(_raw_text), Expectation("text"), WithJsonSchema({"type": "string"})]
Name = Annotated[
    str,
    BeforeValidator(_name),
    Expectation("a name"),
    WithJsonSchema({"type": "string", "pattern": f"^{_NAME.pattern}$"}),
]
Surface = Annotated[
    str,
    BeforeValidator(_surface),
    Expectation("a name of a surface"),
    WithJsonSchema({"type": "string", "pattern": f"^{_NAME.pattern}$", "not": {"enum": [BENCH]}}),
]
YesNo = Annotated[
    bool,
    BeforeValidator(_yes_no),
    Expectation("yes or no"),
    WithJsonSchema({"enum": ["yes", "no", "on", "off", True, False]}),
]


def _cell(value: Any) -> Any:
    if (
        not isinstance(value, list)
        or len(value) != 2
        or not all(isinstance(part, int) and not isinstance(part, bool) for part in value)
    ):
        raise wrong("a cell such as [0, 3]")
    return (int(value[0]), int(value[1]))


Cell = Annotated[
    tuple[int, int],
    BeforeValidator(_cell),
    Expectation("a cell such as [0, 3]"),
    WithJsonSchema({"type": "array", "items": {"type": "integer"}, "minItems": 2, "maxItems": 2}),
]


def _reference(value: Any) -> Any:
    text = written(value)
    if not isinstance(text, str) or not text.isprintable() or not 1 <= len(text) <= 200:
        raise wrong("the name of a file, or a path to one")
    return text


Reference = Annotated[
    str, BeforeValidator(_reference), Expectation("the name of a file"), WithJsonSchema({"type": "string"})
]
