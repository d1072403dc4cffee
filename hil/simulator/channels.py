"""Which messages of a dialect the virtual robot fills, and with what.

A message is filled by the names of its channels. Telemetry that says how often it comes (`period_s`) is sent unasked
from power-on; any other only when `stream` asked for it, at the period asked for where it carries counts or readings,
and at most five times a second where it carries neither. Optional parts that ask for what the robot has not are left
out; anything else that it has not is refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from hil.errors import UsageError
from hil.simulator.firmware.body import TICK_S
from hil.vocabulary import EVENTS
from hil.wire.dialect import Dialect, FieldSpec, FieldType, MessageSpec, Role
from hil.wire.fields import Value

Getter = Callable[[], Value]
Filled = tuple[tuple[str, Getter], ...]
Getters = Mapping[str, Getter]
Words = Callable[[], tuple[str, ...]]

STATE = "state"
SLOW_TICKS = 200  # period of telemetry that carries neither counts nor readings and says no period
_FAST = ("encoder.", "wall.")
_OPTIONAL_PART = re.compile(r"\[([^\[\]]*)\]")
_PLACEHOLDER = re.compile(r"\{([^{}]+)\}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A telemetry message with what fills it; `period_ticks` of one that is sent unasked, else 0."""

    name: str
    filled: Filled
    is_fast: bool
    period_ticks: int


class Schedule:
    """Says which telemetry is due. What comes unasked keeps its own period; the rest comes when it is asked for."""

    def __init__(self, reports: tuple[Report, ...]) -> None:
        self._reports = reports
        self._due: tuple[tuple[int, Report], ...] = ()
        self.ask(0)

    def ask(self, period_ticks: int) -> None:
        """Take note of the period that was asked for; 0 for none."""
        self._due = tuple(
            (report.period_ticks or (period_ticks if report.is_fast else max(period_ticks, SLOW_TICKS)), report)
            for report in self._reports
            if report.period_ticks or period_ticks
        )

    def due(self, since_ticks: int) -> list[Report]:
        """Return the messages that are due so long after their beginning."""
        return [report for period, report in self._due if since_ticks % period == 0]


class Filling:
    """Fills the messages of `dialect` from `getters`; `words` gives names of the present state, the fittest first.

    Raises `UsageError` where a message asks for what is not there.
    """

    def __init__(self, dialect: Dialect, getters: Getters, words: Words) -> None:
        self._dialect = dialect
        self._getters = getters
        self._words = words

    def reports(self) -> tuple[Report, ...]:
        """Return all telemetry but what only a request of its own asks for."""
        told = [spec for spec in self._dialect.messages if spec.role is Role.TELEMETRY and not spec.asked_by]
        return tuple(self._report(spec) for spec in told)

    def events(self, role: Role = Role.EVENT, among: tuple[str, ...] | None = None) -> dict[str, tuple[str, Filled]]:
        """Return for every event that can be told of its message, and what fills the other fields of that.

        `among` are the names of the messages that are looked at, all of the role where it is not given.
        """
        events: dict[str, tuple[str, Filled]] = {}
        for spec in self._dialect.messages:
            if spec.role is not role or (among is not None and spec.name not in among):
                continue
            word = next((field for field in spec.fields if field.name == "event"), None)
            if word is None and role is Role.ROW:
                continue
            told = {spec.name} if word is None else set(word.choices.values()) or set(EVENTS)
            for event in told - events.keys():
                events[event] = spec.name, self.fill(spec, without=("event", "detail"))
        return events

    def fill(self, spec: MessageSpec, *, without: tuple[str, ...] = ()) -> Filled:
        """Return what fills a message, fields in `without` left out."""
        absent = self._absent_parts(spec)
        fields = [field for field in spec.fields if field.name not in (self._dialect.sequence_field, *without, *absent)]
        unknown = [field.name for field in fields if field.name not in self._getters]
        if unknown:
            raise UsageError(
                f"the message {spec.name!r} asks for {', '.join(unknown)}, which the virtual robot has not",
                where=f"protocol {self._dialect.name!r}",
                expected=f"of {', '.join(sorted(self._getters))}",
            )
        return tuple((field.name, self._getter(field)) for field in fields)

    def _report(self, spec: MessageSpec) -> Report:
        filled = self.fill(spec)
        is_fast = any(name.startswith(_FAST) and not name.endswith(".dark") for name, _ in filled)
        return Report(
            name=spec.name, filled=filled, is_fast=is_fast, period_ticks=max(0, round(spec.period_s / TICK_S))
        )

    def _absent_parts(self, spec: MessageSpec) -> set[str]:
        """Return the optional fields that stay away; in a template those of one part stand or stay away together."""
        lacking = {field.name for field in spec.fields if field.optional and field.name not in self._getters}
        for part in _OPTIONAL_PART.findall(spec.template.replace("[[", "").replace("]]", "")):
            names = set(_PLACEHOLDER.findall(part))
            if names & lacking:
                lacking |= names
        return lacking

    def _getter(self, field: FieldSpec) -> Getter:
        if field.name != STATE or field.type is not FieldType.WORD or not field.choices:
            return self._getters[field.name]
        known = list(field.choices.values())
        return lambda: next((word for word in self._words() if word in known), known[0])
