"""Answers files: what a person read, by the name of the step that asked, in the order it was asked.

    answers:
      out-offset: [1.5 mm, -0.5 mm]
      laps-contacts: [0]

`not seen` stands for a reading that could not be taken. An angle by two offsets has two lists, such as `angle.front`
and `angle.rear`. A run writes one of all that it was told, so that the same can be answered again with --answers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from hil.engine.entries import NOT_SEEN, read_entry
from hil.errors import UsageError
from hil.measure.readings import FRONT, REAR
from hil.measure.trace import AnswerGiven
from hil.quantities import QuantityError
from hil.spec.suite_values import Instrument, Observe
from hil.store.runs import write_whole

_LARGEST_FILE = 1 << 20  # answers of people are short; a megabyte is some other file


def read_answers(path: Path) -> Mapping[str, Sequence[str]]:
    """Read an answers file; raise `UsageError` where it is none."""
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise UsageError("the file is too large for answers", where=str(path), expected="at most 1 MiB")
        content = YAML(typ="safe", pure=True).load(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(f"the answers cannot be read ({error.strerror})", where=str(path)) from None
    except (YAMLError, UnicodeDecodeError) as error:
        first = str(error).splitlines()[0]
        raise UsageError(f"the file is not YAML ({first})", where=str(path), todo="Correct the file") from None
    answers = content.get("answers") if isinstance(content, dict) else None
    if not isinstance(answers, dict) or set(content) != {"answers"}:
        raise UsageError(
            "the file holds no answers",
            where=str(path),
            expected="'answers:' and under it, for each name, a list such as [1.5 mm, 2 mm]",
        )
    return {str(name): _listed(path, str(name), values) for name, values in answers.items()}


def check_answers(path: Path, answers: Mapping[str, Sequence[str]], units: Mapping[str, str]) -> None:
    """Refuse answers that no step of the suites asks for, and those that cannot be read; all of them at once.

    `units` gives the unit of every reading by its name. Raises `UsageError`.
    """
    wrong = []
    for name, values in answers.items():
        if name not in units:
            wrong.append(f"nothing asks for '{name}'")
            continue
        for value in values:
            if value.strip().lower() in NOT_SEEN:
                continue
            try:
                read_entry(value, units[name])
            except QuantityError as error:
                wrong.append(f"'{name}': {error}")
    if wrong:
        known = ", ".join(f"{name} [{unit}]" if unit else name for name, unit in units.items()) or "none"
        raise UsageError("; ".join(wrong), where=str(path), expected=f"readings of {known}", todo="Correct the file")


def units_read(step: Observe) -> dict[str, str]:
    """Return the names of a step's answers in a file, with the units they are read in."""
    if step.instrument is Instrument.TWO_OFFSETS:
        return {f"{step.name}.{part}": "mm" for part in (FRONT, REAR)}
    return {step.name: step.unit}


def _listed(path: Path, name: str, values: object) -> list[str]:
    listed = values if isinstance(values, list) else [values]
    if not all(isinstance(value, str | int | float) and not isinstance(value, bool) for value in listed):
        raise UsageError(
            f"the answers under '{name}' are not numbers with units", where=str(path), expected="such as [1.5 mm, 2 mm]"
        )
    return [str(value) for value in listed]


def write_answers(path: Path, answers: Sequence[AnswerGiven]) -> None:
    """Write the answers of a run, so that they can be given again; numbers in full, with their units."""
    by_name: dict[str, list[str]] = {}
    for answer in answers:
        told = by_name.setdefault(answer.name, [])
        if answer.corrects and told:
            told.pop()  # a file needs no history: the trace keeps both
        told.append(f"{answer.value!r} {answer.unit}".strip())
    lines = ["# What the person of this run answered; usable with --answers.", "answers:"]
    for name, values in by_name.items():
        lines.append(f"  {name}:")
        lines += [f"    - {value}" for value in values]
    write_whole(path, "\n".join(lines) + "\n")
