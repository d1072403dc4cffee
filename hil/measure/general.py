"""Methods for any channel, event or answer in any drive, so that a new check needs no program.

A suite names exactly one of `channel`, `event` or `answer`, and the drives they belong to. Means carry the scatter
of the drives where there are several, and else that of the samples with their autocorrelation. Extremes and last
values are single samples: their uncertainty is the noise of one sample, taken from neighbouring samples. What was
never received is refused, not taken for zero; an event that did not happen counts 0 times.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from hil.measure.evidence import Answer, Drive, Evidence, Floats
from hil.measure.least_squares import fit_linear, line_of_known
from hil.measure.method import Method, Parameters, ParameterSpec, drives_of
from hil.measure.moments import clock_of, duration_u_s, period_s
from hil.measure.uncertainty import Mean, effective_number, mean_by_scatter, mean_of_known
from hil.measure.values import CannotMeasureError, Measurement
from hil.quantities import QuantityError, convert
from hil.vocabulary import CHANNELS

_KINDS = ("channel", "event", "answer")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """The finite samples of a channel in one drive: times [s] and values."""

    drive: Drive
    time_s: Floats
    values: Floats

    @property
    def noise(self) -> float:
        """Standard deviation of one sample, from neighbouring samples, but no less than rounding leaves."""
        steps = np.abs(np.diff(self.values))
        moved = steps[steps > 0]
        rounding = float(np.min(moved)) / math.sqrt(12) if moved.size else 0.0
        between = float(np.sqrt(np.mean(steps**2) / 2)) if steps.size else 0.0
        return max(between, rounding)


def answers_of(evidence: Evidence, name: str, of: tuple[str, ...] = ()) -> tuple[Answer, ...]:
    """Return the answers of that name, of drives named `of` where any are named; refuse where there are none."""
    found = tuple(
        answer
        for answer in evidence.answers
        if answer.name == name and (not of or (answer.index >= 0 and evidence.drives[answer.index].name in of))
    )
    if not found:
        after = f" after drives named {', '.join(of)}" if of else ""
        raise CannotMeasureError(f"no answer named {name} was given{after}")
    return found


def source_of(answers: tuple[Answer, ...]) -> str:
    """Return who gave the answers."""
    return ", ".join(sorted({answer.source for answer in answers}))


def _subject(parameters: Parameters, allowed: tuple[str, ...]) -> tuple[str, str]:
    given = [(kind, parameters.words[kind]) for kind in _KINDS if parameters.words.get(kind)]
    if len(given) != 1 or given[0][0] not in allowed:
        raise CannotMeasureError(f"name exactly one of {' or '.join(allowed)} to measure; {len(given)} were named")
    return given[0]


def _rows(evidence: Evidence, parameters: Parameters, channel: str) -> tuple[_Row, ...]:
    rows = []
    for drive in drives_of(evidence, parameters):
        found = drive.channel(channel)
        if found is None:
            continue
        fine = np.isfinite(found[0]) & np.isfinite(found[1])
        if np.any(fine):
            rows.append(_Row(drive=drive, time_s=found[0][fine], values=found[1][fine]))
    if not rows:
        raise CannotMeasureError(f"the channel {channel} was not received in any of the drives asked of")
    return tuple(rows)


def _unit(channel: str) -> str:
    return CHANNELS[channel].unit if channel in CHANNELS else ""


def _from_mean(mean: Mean, unit: str, n: int, source: str, note: str = "") -> Measurement:
    return Measurement(
        value=mean.value, unit=unit, u=mean.part.u, dof=mean.part.dof, n=n, source=source,
        notes=(note,) if note else (),
    )  # fmt: skip


def _same_unit(answers: tuple[Answer, ...]) -> tuple[list[float], list[float], str]:
    unit = answers[0].unit
    try:
        values = [convert(answer.value, answer.unit, unit) for answer in answers]
        u_each = [convert(answer.u, answer.unit, unit) for answer in answers]
    except QuantityError as error:
        raise CannotMeasureError(f"the answers named {answers[0].name} have different units: {error}") from None
    return values, u_each, unit


def _mean(evidence: Evidence, parameters: Parameters) -> Measurement:
    kind, name = _subject(parameters, ("channel", "answer"))
    if kind == "answer":
        answers = answers_of(evidence, name, parameters.of)
        values, u_each, unit = _same_unit(answers)
        return _from_mean(mean_of_known(values, u_each, name), unit, len(values), source_of(answers))
    rows = _rows(evidence, parameters, name)
    numbers = [effective_number(row.values) for row in rows]
    u_rows = [
        max(float(np.std(row.values)) / math.sqrt(max(number - 1, 1)), row.noise / math.sqrt(row.values.size))
        for row, number in zip(rows, numbers, strict=True)
    ]
    mean = mean_of_known([float(np.mean(row.values)) for row in rows], u_rows, name)
    n = sum(row.values.size for row in rows)
    note = f"Worth {sum(numbers):.0f} independent samples of {n}."
    dof = mean.part.dof if math.isfinite(mean.part.dof) else max(1.0, sum(numbers) - len(rows))
    return Measurement(
        value=mean.value, unit=_unit(name), u=mean.part.u, dof=dof, n=n if len(rows) == 1 else len(rows), notes=(note,)
    )


def _single(pick: Callable[[Floats], int]) -> Callable[[Evidence, Parameters], Measurement]:
    """Return a method that takes one sample of all: the one `pick` gives the place of."""

    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        kind, name = _subject(parameters, ("channel", "answer"))
        if kind == "answer":
            answers = answers_of(evidence, name, parameters.of)
            values, u_each, unit = _same_unit(answers)
            at = pick(np.array(values))
            return Measurement(value=values[at], unit=unit, u=u_each[at], n=len(values), source=source_of(answers))
        rows = _rows(evidence, parameters, name)
        joined = np.concatenate([row.values for row in rows])
        noise = math.sqrt(float(np.mean([row.noise**2 for row in rows])))
        dof = max(1.0, float(joined.size - len(rows)))
        return Measurement(value=float(joined[pick(joined)]), unit=_unit(name), u=noise, dof=dof, n=int(joined.size))

    return run


def _spread(evidence: Evidence, parameters: Parameters) -> Measurement:
    kind, name = _subject(parameters, ("channel", "answer"))
    if kind == "answer":
        answers = answers_of(evidence, name, parameters.of)
        values, _, unit = _same_unit(answers)
        number, source = float(len(values)), source_of(answers)
    else:
        joined = np.concatenate([row.values for row in _rows(evidence, parameters, name)])
        values, unit, number, source = list(map(float, joined)), _unit(name), effective_number(joined), "robot"
    sd = mean_by_scatter(values, f"spread of {name}").sd
    dof = max(1.0, number - 1)
    return Measurement(
        value=sd, unit=unit, u=sd / math.sqrt(2 * dof), dof=dof, n=int(number), is_spread=True, source=source
    )


def _count(evidence: Evidence, parameters: Parameters) -> Measurement:
    kind, name = _subject(parameters, _KINDS)
    if kind == "answer":
        answers = answers_of(evidence, name, parameters.of)
        total, trials, source = _counted_answers(answers, parameters), len(answers), source_of(answers)
    elif kind == "event":
        drives = drives_of(evidence, parameters)
        if not any(drive.events for drive in drives):
            raise CannotMeasureError(f"no event of any kind was received, so that {name} may have happened unreported")
        total, trials, source = (
            sum(event.name == name for drive in drives for event in drive.events),
            len(drives),
            "robot",
        )
    else:
        rows = _rows(evidence, parameters, name)
        total, trials, source = sum(_excursions(row.values, parameters) for row in rows), len(rows), "robot"
    return Measurement(value=float(total), unit="", u=0.0, n=trials, is_count=True, source=source)


def _counted_answers(answers: tuple[Answer, ...], parameters: Parameters) -> float:
    """Return how many answers are beyond `above` or `below`, or without a limit their sum (of counts by eye)."""
    values = np.array(_same_unit(answers)[0])
    above, below = parameters.number("above", math.nan), parameters.number("below", math.nan)
    if math.isnan(above) and math.isnan(below):
        return float(np.sum(values))
    return float(np.sum((values > above) | (values < below)))


def _excursions(values: Floats, parameters: Parameters) -> int:
    """Count how often a channel goes beyond `above` or `below`; a row that begins beyond counts once."""
    above, below = parameters.number("above", math.nan), parameters.number("below", math.nan)
    if math.isnan(above) and math.isnan(below):
        raise CannotMeasureError("a count of a channel needs a limit: give 'above' or 'below'")
    beyond = (values > above) | (values < below)  # a comparison with nan is false
    return int(np.sum(np.diff(beyond.astype(np.int64), prepend=0) == 1))


def _duration(evidence: Evidence, parameters: Parameters) -> Measurement:
    begin, finish = parameters.word("begin", ""), parameters.word("finish", "")
    lengths, known = [], []
    drives = drives_of(evidence, parameters)
    clock = clock_of(evidence, drives, "durations")
    for drive in drives:
        times = [rows.values.get("time", rows.host_s) for rows in drive.samples.values() if len(rows) > 1]
        first = _when(drive, begin) if begin else min((float(row[0]) for row in times), default=None)
        last = _when(drive, finish, first) if finish else max((float(row[-1]) for row in times), default=None)
        if first is None or last is None:
            continue
        lengths.append(last - first)
        known.append(duration_u_s(period_s(drive), clock))
    if not lengths:
        raise CannotMeasureError(
            f"no drive has both its begin ({begin or 'first row'}) and end ({finish or 'last row'})"
        )
    found = _from_mean(mean_of_known(lengths, known, "duration"), "s", len(lengths), "robot")
    return replace(found, notes=(*found.notes, *clock.notes))


def _when(drive: Drive, name: str, after_s: float | None = None) -> float | None:
    """Return the time of the first event of that name, not before `after_s`; robot's clock or else the host's."""
    for event in drive.events:
        at = event.time_s if math.isfinite(event.time_s) else event.host_s
        if event.name == name and (after_s is None or at >= after_s):
            return at
    return None


def _slope(evidence: Evidence, parameters: Parameters) -> Measurement:
    kind, name = _subject(parameters, ("channel", "answer"))
    if kind == "answer":
        return _slope_of_answers(evidence, parameters, name)
    slopes, known = [], []
    rows = _rows(evidence, parameters, name)
    clock = clock_of(evidence, tuple(row.drive for row in rows), f"slope of {name}")
    for row in rows:
        if row.values.size < 3:
            continue
        at = row.time_s - row.time_s[0]
        fit = fit_linear(np.column_stack([np.ones_like(at), at]), row.values, what=f"slope of {name}")
        weaker = math.sqrt(max(1.0, row.values.size / max(1.0, effective_number(fit.residuals))))
        slopes.append(float(fit.parameters[1]))
        # Times that come late by chance shift each value by the slope, and the scatter of the fit has that in it.
        known.append(float(fit.u[1]) * weaker)
    if not slopes:
        raise CannotMeasureError(f"the channel {name} has fewer than 3 samples in every drive; a slope needs more")
    found = _from_mean(mean_of_known(slopes, known, name), f"{_unit(name) or '1'}/s", len(slopes), "robot")
    return replace(found, notes=(*found.notes, *clock.notes))


def _slope_of_answers(evidence: Evidence, parameters: Parameters, name: str) -> Measurement:
    answers = answers_of(evidence, name, parameters.of)
    values, u_each, unit = _same_unit(answers)
    against = parameters.word("against", "")
    if against:
        at = [
            evidence.drives[answer.index].conditions.get(against) if answer.index >= 0 else None for answer in answers
        ]
        places = [math.nan if place is None else place for place in at]
        if any(map(math.isnan, places)):
            raise CannotMeasureError(f"an answer named {name} belongs to a drive that says nothing of {against}")
    else:
        places = [float(number) for number in range(len(values))]
    slope = line_of_known(places, values, u_each, f"slope of {name}")[1]
    return _from_mean(slope, f"{unit or '1'} per {against or 'repeat'}", len(values), source_of(answers))


def _word(name: str, meaning: str) -> ParameterSpec:
    return ParameterSpec(name=name, meaning=meaning, default="", is_word=True)


_CHANNEL = _word("channel", "channel to measure")
_ANSWER = _word("answer", "answer to measure")
_SOURCE = "JCGM 100:2008 4.2 (scatter of a mean); definition"

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="general.mean", unit="", run=_mean, needs=(), source=_SOURCE, parameters=(_CHANNEL, _ANSWER),
        summary="Mean of a channel over the drives, or of an answer.",
    ),
    Method(
        name="general.minimum", unit="", run=_single(lambda row: int(np.argmin(row))), needs=(), source=_SOURCE,
        parameters=(_CHANNEL, _ANSWER), summary="Smallest sample of a channel, or smallest answer.",
    ),
    Method(
        name="general.maximum", unit="", run=_single(lambda row: int(np.argmax(row))), needs=(), source=_SOURCE,
        parameters=(_CHANNEL, _ANSWER), summary="Largest sample of a channel, or largest answer.",
    ),
    Method(
        name="general.last", unit="", run=_single(lambda row: int(row.size - 1)), needs=(), source=_SOURCE,
        parameters=(_CHANNEL, _ANSWER), summary="Last sample of a channel, or last answer.",
    ),
    Method(
        name="general.spread", unit="", run=_spread, needs=(), source=_SOURCE, parameters=(_CHANNEL, _ANSWER),
        is_spread=True, summary="Standard deviation of a channel's samples, or of an answer.",
    ),
    Method(
        name="general.count", unit="", run=_count, needs=(), source=_SOURCE, is_count=True,
        parameters=(
            _CHANNEL, _word("event", "event to count"), _ANSWER,
            ParameterSpec(name="above", meaning="limit of a channel or answer; going above counts", default=math.nan),
            ParameterSpec(name="below", meaning="limit of a channel or answer; going below counts", default=math.nan),
        ),
        summary="How often an event happened, a channel or answer passed a limit, or the sum of an answer.",
    ),
    Method(
        name="general.duration", unit="s", run=_duration, needs=(), source=_SOURCE,
        parameters=(
            _word("begin", "event that begins it; without one, the drive's first row"),
            _word("finish", "event that ends it; without one, the drive's last row"),
        ),
        summary="Time from one event to another, or of a whole drive.",
    ),
    Method(
        name="general.slope", unit="", run=_slope, needs=(), source=_SOURCE,
        parameters=(_CHANNEL, _ANSWER, _word("against", "condition of the drives; without one, time or repeat")),
        summary="Change of a channel with time, or of an answer with a condition or from one to the next.",
    ),
)  # fmt: skip
