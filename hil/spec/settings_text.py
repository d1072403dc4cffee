"""Templates of files with settings: their fields, and the text that comes of them.

A template holds named fields in braces and nothing else of a format: no attribute, index, conversion or width is known,
so that a file of a user can say what is written and never look into the program. What is filled in is one line of plain
text that ends no comment of C.
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from hil.errors import UsageError
from hil.spec.robot_values import SettingsText

LINE_FIELDS = ("name", "NAME", "value", "unit", "meaning")
AROUND_FIELDS = ("robot", "surface", "date", "record")
_C_ENDINGS = (".h", ".hpp", ".hh", ".c", ".cpp", ".cc", ".inc", ".ino")
_HEAD = "Settings of {robot} for walls of {surface}, written on {date} by hil from the {record}."


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One number as it is written: its name in the records, its value, its unit ("": none) and what it means."""

    name: str
    value: float
    unit: str = ""
    meaning: str = ""


def fields_of(template: str) -> list[str]:
    """Return the fields of a template as they are written; raise `ValueError` where its braces do not pair up.

    A field with a conversion or a format behind it is returned with it, and so is never one that is known.
    """
    fields = []
    for _, name, form, conversion in string.Formatter().parse(template):
        if name is not None:
            fields.append(f"{name}{'!' + conversion if conversion else ''}{':' + form if form else ''}")
    return fields


def fill(template: str, words: Mapping[str, str]) -> str:
    """Return a template with its fields filled in; raise `ValueError` for a field that is not among `words`."""
    if unknown := [field for field in fields_of(template) if field not in words]:
        raise ValueError(f"nothing is filled in for {{{unknown[0]}}}")
    return "".join(
        before + (_plain(words[name]) if name is not None else "")
        for before, name, _, _ in string.Formatter().parse(template)
    )


def c_word(name: str) -> str:
    """Return a name as a word of C in capitals: `wall.left.threshold` is WALL_LEFT_THRESHOLD."""
    word = re.sub(r"[^A-Za-z0-9]+", "_", name).upper()
    return f"_{word}" if word[:1].isdigit() else word


def number_text(value: float) -> str:
    """Return a number in decimals, whole ones without a point."""
    return str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(float(value))


def settings_file_text(
    form: SettingsText, settings: Sequence[Setting], *, robot: str, surface: str, date: datetime, record: str
) -> str:
    """Return the text of a file with settings.

    Where its first lines name no record, a comment with date, robot, surface and record comes before them. Raises
    `UsageError` where two names become the same word of C.
    """
    words: dict[str, str] = {}
    for one in settings:
        word = c_word(one.name)
        if word in words and "NAME" in fields_of(form.line):
            raise UsageError(
                f"{words[word]} and {one.name} are both written as {word}",
                where=form.name,
                expected="names that differ by more than their signs",
            )
        words[word] = one.name
    around = {"robot": robot, "surface": surface, "date": f"{date:%Y-%m-%d %H:%M}", "record": record}
    lines = [] if "record" in fields_of(form.first) else [_comment(form.name, fill(_HEAD, around))]
    lines += [fill(form.first, around)] if form.first else []
    lines += [fill(form.line, _words(one)).rstrip() for one in settings]
    lines += [fill(form.last, around)] if form.last else []
    return "".join(f"{line.removesuffix(chr(10))}\n" for line in lines)


def _words(one: Setting) -> dict[str, str]:
    return {
        "name": one.name,
        "NAME": c_word(one.name),
        "value": number_text(one.value),
        "unit": one.unit,
        "meaning": one.meaning,
    }


def _comment(file: str, text: str) -> str:
    is_c = not file or file.lower().endswith(_C_ENDINGS)
    return f"/* {text} */" if is_c else f"# {text}"


def _plain(text: str) -> str:
    """Return one line of printable signs that neither ends nor begins a comment of C."""
    shown = "".join(sign if sign.isprintable() else " " for sign in text)
    return shown.replace("*/", "* /").replace("/*", "/ *").removesuffix("\\")
