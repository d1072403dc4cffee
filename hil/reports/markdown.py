"""A run as a Markdown report: what was tested, the summary, a table for each suite, how to read it.

Written for people who were not there. Pipes, HTML and Markdown signs in names, reasons and notes are escaped: what
a robot or a file says is shown as text, and nothing is loaded from outside. The conditions that ISO 18646-2:2019 asks
a report to state are listed even where nobody stated them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from hil.judge.rounding import rounded_pair, with_unit
from hil.outcomes import Outcome
from hil.reports.wording import (
    NO_TOLERANCE,
    NOT_MEASURED,
    NOTHING_SHOWN,
    NUMBERS_BY,
    spoken_faults,
    spoken_lines,
    spoken_outcome,
    spoken_robot,
    spoken_start,
    spoken_tally,
    spoken_times,
    spoken_value,
    visible,
)
from hil.results import AssertionResult, CaseResult, RunResult, SettingRead, SuiteResult

# Signs of Markdown; an underscore inside a word is none, and names of measurements stay readable.
_SIGNS = re.compile(r"([\\`*\[\]|~]|(?<![A-Za-z0-9])_|_(?![A-Za-z0-9]))")
_NOT_STATED = "not stated"

_HOW_TO_READ = """\
## How to read this report

- **value ± U**: U is the expanded uncertainty. The quantity lies within value ± U with 95 % probability, or with the
  one given beside it, by Student's t with the degrees of freedom of the measurement. Things that are counted are
  exact and show in how many trials they were counted.
- **p** is the probability that the quantity itself lies within the tolerance, given what was measured.
- **passed**: inside the tolerance by the rule of the suite. The *guarded* rule asks for value ± U inside, the
  *simple* rule for the value alone.
- **failed**: the robot is out of tolerance.
- **undecided**: the uncertainty is too large for the tolerance, or the value is too close to a limit to call.
  It is not a pass. More repeats or a better instrument can decide it.
- **skipped**: not tested, for the reason given. It is not a pass.
- **error**: the bench failed, not the robot: port, file, operator or tool."""

# Names, units and ranges of ISO 18646-2:2019.
_CONDITIONS = (
    ("temperature_c", "air temperature", "°C", 10.0, 30.0),
    ("humidity_percent", "relative humidity", "%", 0.0, 80.0),
    ("illuminance_lux", "illuminance", "lx", 100.0, 1000.0),
    ("floor_friction", "floor friction", "", 0.6, 1.0),
)


def run_to_markdown(run: RunResult) -> str:
    """Return the report, ending with a line feed."""
    blocks = [
        *_head(run),
        *_summary(run),
        *(block for suite in run.suites for block in _suite(run, suite)),
        *_notes(run),
        _HOW_TO_READ,
        *_settings(run),
        *_environment(run),
    ]
    return "\n\n".join(blocks) + "\n"


def _head(run: RunResult) -> Iterator[str]:
    of_what = "virtual robot" if run.robot.is_virtual else "robot"
    yield f"# Test report: {of_what} {_text(run.robot.name)}"
    if run.robot.is_virtual:
        yield (
            "> **No real robot was tested.** All numbers come from the virtual robot"
            f" ({'seed ' + str(run.seed) if run.seed is not None else 'no seed'},"
            f" faults: {_text(spoken_faults(run))})."
        )
    rows = [
        ("tested", _text(spoken_robot(run))),
        ("started", _text(spoken_start(run))),
        ("run", _text(run.run_id)),
        ("tool", f"hil {_text(run.tool_version)}"),
        ("numbers by", NUMBERS_BY[run.route]),
        ("time", spoken_times(run)),
        *(("lines", _text(counts)) for counts in spoken_lines(run)),
    ]
    if run.loaded:
        rows.append(("settings loaded", f"{_text(run.loaded.name)}, SHA-256 {_text(run.loaded.sha256)}"))
    if run.trace:
        rows.append(("trace", f"{_text(run.trace.file)}, SHA-256 {_text(run.trace.sha256)}"))
    yield _table(("", ""), rows)


def _summary(run: RunResult) -> Iterator[str]:
    where = " on the virtual robot" if run.robot.is_virtual else ""
    yield f"## Outcome: {run.outcome.value}{where}"
    if run.shows_nothing:
        yield NOTHING_SHOWN
    if run.is_interrupted:
        yield "The run was interrupted; what did not come to its turn is missing."
    if run.reason:
        yield f"**{(run.trouble or run.outcome).value}:** {_text(run.reason)}"
    yield f"{spoken_tally(run.tally())}."
    if run.suites:
        rows = [(_text(s.name), _text(s.title), _outcome(s), *_suite_tally(s)) for s in run.suites]
        yield _table(("suite", "title", "outcome", *(outcome.value for outcome in Outcome)), rows)
    found = [line for suite in run.suites for line in _findings(suite)]
    if found:
        yield "### What needs attention"
        yield "\n".join(found)


def _outcome(suite: SuiteResult) -> str:
    """Return what came of a suite, without the numbers, which stand beside it."""
    return spoken_outcome(suite).partition(":")[0]


def _suite_tally(suite: SuiteResult) -> Iterator[str]:
    outcomes = [assertion.outcome for assertion in suite.assertions]
    outcomes += [case.outcome if case.trouble is None else case.trouble for case in suite.cases if _stands_alone(case)]
    return (str(outcomes.count(outcome)) for outcome in Outcome)


def _findings(suite: SuiteResult) -> Iterator[str]:
    """Name all that is not good, the robot's failures and the bench's errors alike."""
    for case in suite.cases:
        where = f"{_text(suite.name)}, {_text(case.name)}"
        if _stands_alone(case):
            yield f"- **{_own_outcome(case).value}** {where}: {_text(_own_reason(case))}"
        for assertion in case.assertions:
            if not assertion.outcome.is_good:
                value = f" {_text(spoken_value(assertion))}" if assertion.value is not None else ""
                name = _text(assertion.measurement)
                yield f"- **{assertion.outcome.value}** {where}: {name}{value}. {_text(assertion.reason)}"


def _suite(run: RunResult, suite: SuiteResult) -> Iterator[str]:
    virtual = " (virtual robot)" if run.robot.is_virtual else ""
    yield f"## {_text(suite.name)}: {_text(suite.title)}{virtual}"
    if not suite.cases:
        yield "No case was run."
        return
    rows = [row for case in suite.cases for row in _case_rows(case)]
    yield _table(("case", "measurement", "value ± U", "tolerance", "p", "outcome", "reason", "source"), rows)
    reasons = [_reason_for_tolerance(assertion) for assertion in suite.assertions if assertion.why]
    if reasons:
        yield "Why these tolerances:"
        yield "\n".join(dict.fromkeys(reasons))
    notes = list(dict.fromkeys(_suite_notes(suite)))
    if notes:
        yield "Notes:"
        yield "\n".join(notes)


def _case_rows(case: CaseResult) -> Iterator[tuple[str, ...]]:
    for assertion in case.assertions:
        yield (
            _text(case.name),
            _text(assertion.measurement),
            _text(spoken_value(assertion)),
            _text(assertion.tolerance.text),
            _probability(assertion.p_conformance),
            _marked(assertion.outcome),
            _text(assertion.reason),
            _text(assertion.source) or NOT_MEASURED,
        )
    for one in case.measured:
        told = (_text(one.measurement), _text(spoken_value(one)), NOT_MEASURED, NOT_MEASURED, NOT_MEASURED)
        yield (_text(case.name), *told, _text(one.reason) or NO_TOLERANCE, _text(one.source) or NOT_MEASURED)
    if _stands_alone(case):
        dashes = (NOT_MEASURED,) * 4
        yield (_text(case.name), *dashes, _marked(_own_outcome(case)), _text(_own_reason(case)), NOT_MEASURED)


def _stands_alone(case: CaseResult) -> bool:
    """Tell whether the case has something to say beside its assertions."""
    return case.trouble is not None or not case.assertions


def _own_outcome(case: CaseResult) -> Outcome:
    return case.trouble or Outcome.SKIPPED


def _own_reason(case: CaseResult) -> str:
    return case.reason or "Nothing was asserted."


def _reason_for_tolerance(assertion: AssertionResult) -> str:
    return f"- {_text(assertion.measurement)} {_text(assertion.tolerance.text)}: {_text(assertion.why)}"


def _suite_notes(suite: SuiteResult) -> Iterator[str]:
    for case in suite.cases:
        yield from (f"- {_text(case.name)}: {_text(note)}" for note in case.notes)
        for assertion in case.assertions:
            yield from _parts(assertion)
            yield from (f"- {_text(assertion.measurement)}: {_text(note)}" for note in assertion.notes)
        for one in case.measured:
            yield from (f"- {_text(one.measurement)}: {_text(note)}" for note in one.notes)


def _parts(assertion: AssertionResult) -> Iterator[str]:
    """Say what each route alone has given."""
    for part in assertion.parts:
        value, u = rounded_pair(part.value, part.u)
        told = with_unit(f"{value} (u {u})" if part.u else value, assertion.unit)
        yield f"- {_text(assertion.measurement)}: by {_text(part.source)} alone {_text(told)}, {part.outcome.value}"


def _notes(run: RunResult) -> Iterator[str]:
    if run.notes:
        yield "## Notes on the run"
        yield "\n".join(f"- {_text(note)}" for note in run.notes)


def _settings(run: RunResult) -> Iterator[str]:
    if run.settings:
        yield "## Settings of the firmware"
        yield "As read back from the robot before the first case and after the last."
        yield _table(("setting", "before", "after", "range", ""), map(_setting, run.settings))


def _setting(one: SettingRead) -> tuple[str, ...]:
    read = [value for value in (one.before, one.after) if value is not None]
    said = ["**changed**"] if len(set(read)) == 2 else []
    said += ["**outside**"] if any(not one.lowest <= value <= one.highest for value in read) else []
    span = _text(f"{one.lowest:g}..{one.highest:g} {one.unit}".strip())
    return (_text(one.name), _setting_value(one, one.before), _setting_value(one, one.after), span, ", ".join(said))


def _setting_value(one: SettingRead, value: float | None) -> str:
    return NOT_MEASURED if value is None else _text(f"{value:.10g} {one.unit}".strip())


def _environment(run: RunResult) -> Iterator[str]:
    yield "## Conditions"
    yield "As ISO 18646-2:2019 asks for, with the range in which its tests are made."
    rows = []
    for attribute, name, unit, lowest, highest in _CONDITIONS:
        value: float | None = getattr(run.environment, attribute)
        stated = _NOT_STATED if value is None else f"{value:g} {unit}".strip()
        outside = value is not None and not lowest <= value <= highest
        rows.append((name, f"{stated} (outside)" if outside else stated, f"{lowest:g}..{highest:g} {unit}".strip()))
    yield _table(("condition", "stated", "range"), rows)


def _marked(outcome: Outcome) -> str:
    return outcome.value if outcome.is_good else f"**{outcome.value}**"


def _probability(p: float | None) -> str:
    # 1 is never certain: a probability that rounds to it is shown as what it is above.
    if p is None:
        return NOT_MEASURED
    if p > 0.999:
        return "&gt; 0.999"
    return "&lt; 0.001" if p < 0.001 else f"{p:.3f}"


def _table(headers: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [headers, tuple("---" for _ in headers), *rows]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def _text(text: str) -> str:
    """Escape a text of a file, a robot or an operator, so that it is shown as it is and does nothing."""
    safe = visible(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return _SIGNS.sub(r"\\\1", safe)
