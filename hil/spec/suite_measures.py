"""The measurements and assertions of a case compiled: methods, parameters, names, units and tolerances are checked."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from hil.judge.tolerance import ToleranceError, parse_tolerance
from hil.judge.verdict import Rule
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.methods import METHODS
from hil.quantities import QuantityError, quantity_in
from hil.spec.bench_steps import WALL_SENSORS
from hil.spec.bench_values import HandTurn, Jig, Spin
from hil.spec.checking import Document, Key
from hil.spec.suite_file import AssertPart, MeasurePart
from hil.spec.suite_values import (
    Ask,
    AssertionSpec,
    DriveStep,
    Limit,
    MeasureSpec,
    Observe,
    Pause,
    Step,
)
from hil.spec.texts import written
from hil.spec.wording import near, one_of, quoted
from hil.vocabulary import CHANNELS, EVENTS

CLASSES = ("entry", "fast")

# Parameters of methods that name a wall sensor, and those that name an event.
_SENSORS = ("sensor", "emitter")
_EVENTS = ("event", "begin", "finish")

_UNIT_AT_END = re.compile(r"(?:1/)?(?:[^\W\d_]|°)+(?:[/*][^\W\d_]+)*$|[%‰]$")


def names_of(steps: Sequence[Step | None]) -> dict[str, str | None]:
    """Return the names that measurements can be of: of drives with None, of answers with their unit."""
    names: dict[str, str | None] = {}
    for step in steps:
        if isinstance(step, DriveStep | Spin | HandTurn | Jig):
            names[step.name] = None
        elif isinstance(step, Ask | Observe):
            names[step.name] = step.unit
        elif isinstance(step, Pause) and step.name:
            names[step.name] = None
    return names


def compile_measure(
    document: Document,
    at: Key,
    name: str,
    part: MeasurePart,
    route: Mapping[str, str | None],
    person: Mapping[str, str | None],
) -> MeasureSpec | None:
    """Return a measurement; `route` and `person` are the names that the two sequences give."""
    node = document.node(at)
    if part.method is None and part.operator_method is None:
        if node is not None and not any(member.pruned for member in node.entries.values()):
            document.report(at, found="nothing", expected="a method or an operator_method", member="method")
        return None
    extra: dict[str, Any] = dict(part.model_extra or {})
    methods = [
        _method(document, (*at, key), reference)
        for key, reference in (("method", part.method), ("operator_method", part.operator_method))
    ]
    _check_of(document, (*at, "of"), part.of, route)
    _check_of(document, (*at, "operator_of"), part.operator_of, person)
    if part.operator_of and part.operator_method is None:
        document.report((*at, "operator_of"), expected="it beside an operator_method only", key=True)
    _check_units(document, (*at, "operator_method"), methods)
    references = (part.method, part.operator_method)
    if all(method or reference is None for method, reference in zip(methods, references, strict=True)):
        _check_known(document, at, extra, methods)
    own = _parameters(document, at, methods[0], extra, part.of, route)
    persons = _parameters(document, at, methods[1], extra, part.operator_of, person)
    return MeasureSpec(
        name=name,
        method=methods[0].name if methods[0] else "",
        parameters=own,
        operator_method=methods[1].name if methods[1] else "",
        operator_parameters=persons,
    )


def _check_known(document: Document, at: Key, extra: Mapping[str, Any], methods: Sequence[Method | None]) -> None:
    """Report parameters that neither method has."""
    known = {spec.name: spec for method in methods if method for spec in method.parameters}
    for key in extra:
        if key not in known:
            document.report(
                (*at, key),
                found=f"the unknown key {quoted(key)}",
                expected=one_of(sorted({*known, "method", "of", "operator_method", "operator_of"})),
                near_miss=near(key, known),
                key=True,
            )


def _method(document: Document, at: Key, reference: str | None) -> Method | None:
    if reference is None:
        return None
    method = METHODS.get(reference)
    if method is None:
        document.report_name(at, "a method", reference, METHODS)
    return method


def _check_units(document: Document, at: Key, methods: Sequence[Method | None]) -> None:
    """Refuse two methods of one measurement in two units; those that take their unit from elsewhere are not told."""
    units = [method.unit for method in methods if method is not None and method.unit]
    if len(units) == 2 and units[0] != units[1]:
        document.report(at, found=f"a method in {units[1]}", expected=f"one in {units[0]}, as its 'method' is")


def _check_of(document: Document, at: Key, names: Sequence[str], known: Mapping[str, str | None]) -> None:
    for index, name in enumerate(names):
        if name not in known:
            node = document.node((*at, index))
            where = at if node is None else (*at, index)
            document.report_name(where, "the name of a step ('as')", name, known)


def _parameters(
    document: Document,
    at: Key,
    method: Method | None,
    extra: Mapping[str, Any],
    of: Sequence[str],
    names: Mapping[str, str | None],
) -> Parameters:
    """Return the parameters of one method, out of all that stand beside it; `names` are those of its sequence.

    A word that refers to a step must be the name of one.
    """
    if method is None:
        return Parameters(of=tuple(of))
    numbers: dict[str, float] = {}
    words: dict[str, str] = {}
    for spec in method.parameters:
        if spec.name not in extra:
            if spec.default is None:
                document.report(at, found="nothing", expected=f"{spec.meaning}", member=spec.name)
            continue
        value = _parameter(document, (*at, spec.name), spec, extra[spec.name])
        if isinstance(value, str) and value not in names and (kind := _referred(spec)):
            document.report_name((*at, spec.name), f"the name of a {kind} ('as')", value, names)
        if isinstance(value, str):
            words[spec.name] = value
        elif value is not None:
            numbers[spec.name] = value
    return Parameters(of=tuple(of), numbers=numbers, words=words)


def _referred(spec: ParameterSpec) -> str:
    """Return what a word of a method refers to by the beginning of its meaning, "" where it is no name of a step."""
    kinds = {"answer": "reading", "segment": "step", "drive": "step"}
    return next((kind for begin, kind in kinds.items() if spec.meaning.startswith(begin)), "")


def _parameter(document: Document, at: Key, spec: ParameterSpec, value: Any) -> float | str | None:
    text = written(value)
    if not isinstance(text, str):
        document.report(at, expected="a word" if spec.is_word else "a number")
        return None
    if spec.is_word:
        if spec.name == "channel" and text not in CHANNELS:
            document.report_name(at, "a channel", text, CHANNELS)
        if spec.name in _SENSORS and text not in WALL_SENSORS:
            document.report_name(at, "a wall sensor", text, WALL_SENSORS)
        if spec.name in _EVENTS and text not in EVENTS:
            document.report_name(at, "an event", text, EVENTS)
        if spec.choices and text not in spec.choices:
            document.report(at, found=quoted(text), expected=one_of(spec.choices), near_miss=near(text, spec.choices))
        return text
    try:
        return quantity_in(text, spec.unit)
    except QuantityError:
        document.report(at, expected=f"a number in {spec.unit}" if spec.unit else "a plain number")
        return None


def unit_of(measure: MeasureSpec, route: Mapping[str, str | None], person: Mapping[str, str | None]) -> str | None:
    """Return the unit of a measurement; None where it cannot be told."""
    for method_name, parameters, names in (
        (measure.method, measure.parameters, route),
        (measure.operator_method, measure.operator_parameters, person),
    ):
        method = METHODS.get(method_name)
        if method is None:
            continue
        if method.unit:
            return method.unit
        channel = CHANNELS.get(parameters.words.get("channel", ""))
        if channel is not None:
            return f"{channel.unit or '1'}/s" if method_name == "general.slope" else channel.unit
        answer = names.get(parameters.words.get("answer", ""))
        if answer is not None:
            return answer
        units = [unit for name in parameters.of if (unit := names.get(name)) is not None]
        return units[0] if units else ""
    return None


def compile_assertion(
    document: Document, at: Key, part: AssertPart, measured: Mapping[str, str | None]
) -> AssertionSpec | None:
    """Return an assertion; `measured` gives the unit of every measurement by name (None: the measurement is wrong)."""
    if part.measurement not in measured:
        document.report_name((*at, "measurement"), "a measurement of this case", part.measurement, measured)
    unit = measured.get(part.measurement)
    limits: dict[str, Limit] = {}
    both = part.tolerance is not None or part.why is not None
    each = part.entry is not None or part.fast is not None
    node = document.node(at)
    broken = node is not None and any(member.pruned for member in node.entries.values())
    if both and each:
        document.report(at, expected="either one tolerance with its reason, or one for entry and one for fast")
    elif both:
        for member, value in (("tolerance", part.tolerance), ("why", part.why)):
            if value is None and not broken:
                document.report(at, found="nothing", expected="text", member=member)
        limit = _limit(document, (*at, "tolerance"), part.tolerance, part.why, unit)
        limits = dict.fromkeys(CLASSES, limit) if limit else {}
    elif not each and not broken:
        document.report(at, found="nothing", expected="a tolerance such as '0 ± 5 mm'", member="tolerance")
    else:
        for name, limit_part in (("entry", part.entry), ("fast", part.fast)):
            if limit_part is not None:
                limit = _limit(document, (*at, name, "tolerance"), limit_part.tolerance, limit_part.why, unit)
                limits |= {name: limit} if limit else {}
            elif not broken:
                document.report(at, found="nothing", expected="a tolerance and its reason", member=name)
    return AssertionSpec(measurement=part.measurement, rule=Rule(part.rule), limits=limits)


def _limit(document: Document, at: Key, text: str | None, why: str | None, unit: str | None) -> Limit | None:
    if text is None:
        return None
    # Where the measurement itself is wrong, its unit is not known; the notation is still held against its own unit.
    own = _UNIT_AT_END.search(text)
    try:
        tolerance = parse_tolerance(text, unit if unit is not None else own[0] if own else "")
    except ToleranceError as error:
        document.report(at, found=error.found, expected=error.expected)
        return None
    return Limit(tolerance=tolerance, why=why or "") if unit is not None else None
