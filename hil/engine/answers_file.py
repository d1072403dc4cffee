"""Answers files: what a person read, by the name of the step that asked, in the order it was asked.

    answers:
      out-offset: [1.5 mm, -0.5 mm]
      laps-contacts: [0]

`not seen` stands for a reading that could not be taken. An angle by two offsets has two lists, such as `angle.front`
and `angle.rear`. A run writes one of all that it was told, so that the same can be answered again with --answers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from hil.engine.entries import NOT_SEEN, read_entry
from hil.errors import UsageError
from hil.measure.readings import FRONT, REAR
from hil.measure.trace import AnswerGiven, Mark, TraceRecord
from hil.plan.rounds import looks_of, rounds_of
from hil.quantities import QuantityError, counted
from hil.results import Route
from hil.spec.suite_values import Ask, DriveStep, Instrument, Observe, Observed, Step, Suite
from hil.store.runs import write_whole

UNSEEN = "not seen"  # the mark in a trace, and the word in a file, for what the person could not see
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What suites ask for under one name: its unit and kind, at least how many times before the run can end by itself.

    `most` is how many times it is asked for when no case is left out.
    """

    unit: str
    what: Observed | None = None
    least: int = 0
    most: int = 0


def asked_by(suites: Sequence[Suite], route: Route) -> dict[str, Asked]:
    """Return what a run of these suites asks a person for, by the names of an answers file."""
    found: dict[str, Asked] = {}
    for case in (case for suite in suites for case in suite.cases):
        rounds = rounds_of(case, route)
        # Readings of a case that may be left out, whole or in part, are not counted on.
        is_sure = not case.needs and not any(
            isinstance(step, DriveStep) and step.only_while for one in rounds for step in one.steps
        )
        sure = (looks_of(case, route).after[0] if rounds else 0) if is_sure else 0
        parts = [(case.setup, bool(rounds), bool(sure))]
        parts += [(one.steps, True, number < sure) for number, one in enumerate(rounds)]
        for steps, is_asked, is_counted_on in parts:
            _add(found, steps, int(is_asked), int(is_counted_on))
    return found


def _add(found: dict[str, Asked], steps: Sequence[Step], most: int, least: int) -> None:
    for step in steps:
        if isinstance(step, Observe):
            of_step = units_read(step)
            what: Observed | None = Observed.OFFSET if len(of_step) > 1 else step.what
        elif isinstance(step, Ask):
            of_step, what = {step.name: step.unit}, None
        else:
            continue
        for name, unit in of_step.items():
            before = found.get(name, Asked(unit=unit, what=what))
            found[name] = replace(before, least=before.least + least, most=before.most + most)


def check_answers(path: Path, answers: Mapping[str, Sequence[str]], asked: Mapping[str, Asked]) -> None:
    """Refuse answers that cannot be read, that nothing asks for, too many, and too few; all of them at once.

    Too few are those that run out in a case which nothing can keep from being run. Raises `UsageError`.
    """
    wrong = []
    for name, values in answers.items():
        if name not in asked:
            wrong.append(f"nothing asks for '{name}'")
            continue
        one = asked[name]
        for value in values:
            if value.strip().lower() in NOT_SEEN:
                continue
            try:
                read_entry(value, one.unit, one.what)
            except QuantityError as error:
                wrong.append(f"'{name}': {error}")
        if one.most and len(values) > one.most:
            wrong.append(
                f"'{name}' has {counted(len(values), 'answer')} and is asked for {counted(one.most, 'time')} at most"
            )
        if 0 < len(values) < one.least:
            wrong.append(
                f"'{name}' has {counted(len(values), 'answer')} and is asked for {counted(one.least, 'time')} at least"
            )
    if wrong:
        known = ", ".join(f"{name} [{one.unit}]" if one.unit else name for name, one in asked.items()) or "none"
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


def write_answers(path: Path, records: Iterable[TraceRecord]) -> None:
    """Write what a run was answered, so that it can be given again; numbers in full, with their units.

    What was corrected stands as corrected: a file needs no history, the trace keeps both. Without an answer nothing is
    written.
    """
    by_name: dict[str, list[str]] = {}
    for record in records:
        if isinstance(record, AnswerGiven):
            said, names, corrects = f"{record.value!r} {record.unit}".strip(), [record.name], record.corrects
        elif isinstance(record, Mark) and record.step == UNSEEN:
            said, names, corrects = UNSEEN, _names_of(record), bool(record.fields.get("corrects"))
        else:
            continue
        for name in names:
            told = by_name.setdefault(name, [])
            if corrects and told:
                told.pop()
            told.append(said)
    if not by_name:
        return
    lines = ["# What the person of this run answered; usable with --answers.", "answers:"]
    for name, values in by_name.items():
        lines.append(f"  {name}:")
        lines += [f"    - {value}" for value in values]
    write_whole(path, "\n".join(lines) + "\n")


def _names_of(unseen: Mark) -> list[str]:
    """Return the names under which a file tells of what could not be seen."""
    if unseen.fields.get("instrument") != Instrument.TWO_OFFSETS.value:
        return [unseen.name]
    return [f"{unseen.name}.{part}" for part in (FRONT, REAR)]
