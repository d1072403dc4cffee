"""A run as plain text for a terminal: what was tested, one table for each suite, how it ended.

No colours and no control characters, so that the text can be kept, sent and compared. Long reasons are wrapped
inside their column; the table keeps to the width it is given unless the other columns leave no room for reasons.
"""

from __future__ import annotations

import textwrap

from tabulate import tabulate

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
from hil.results import CaseResult, RunResult, SuiteResult

_HEADERS = ("case", "measurement", "value ± U", "tolerance", "outcome", "reason")
_LEGEND = (
    "U is the expanded uncertainty: value ± U covers with 95 % probability (Student t),"
    " unless another is given beside it."
)
_BETWEEN_COLUMNS = 2
_HEADER_PADDING = 2  # tabulate makes a column at least so much wider than its header
_NARROWEST_REASON = 22  # below this, a reason is a ladder of single words
_WIDEST_NAME = 20  # names of cases and measurements wrap above this
_LABEL = 11


def run_table(run: RunResult, *, width: int = 100) -> str:
    """Return the whole run as text, ending with a line feed."""
    blocks = [
        _head(run, width),
        *(_suite(suite, width) for suite in run.suites),
        _wrapped(_LEGEND, width) if any(suite.assertions for suite in run.suites) else "",
        _foot(run, width),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def suite_table(suite: SuiteResult, *, width: int = 100) -> str:
    """Return the table of one suite, as it can be shown while others are still to come."""
    return _suite(suite, width) + "\n"


def _head(run: RunResult, width: int) -> str:
    rows = [("tested", spoken_robot(run)), ("started", f"{spoken_start(run)}, hil {visible(run.tool_version)}")]
    if run.robot.is_virtual:
        rows += [("faults", spoken_faults(run)), ("seed", "none" if run.seed is None else str(run.seed))]
    rows.append(("numbers by", NUMBERS_BY[run.route]))
    return _labelled(rows, width)


def _foot(run: RunResult, width: int) -> str:
    where = " on the virtual robot" if run.robot.is_virtual else ""
    rows = [("outcome", f"{run.outcome.value}{where}: {spoken_tally(run.tally())}")]
    if run.shows_nothing:
        rows.append(("", NOTHING_SHOWN))
    if run.is_interrupted:
        rows.append(("", "The run was interrupted; what did not come to its turn is missing."))
    if run.reason:
        rows.append((run.trouble.value if run.trouble else "note", visible(run.reason)))
    rows.append(("time", spoken_times(run)))
    rows += [("lines", counts) for counts in spoken_lines(run)]
    rows += [("note", visible(note)) for note in run.notes]
    if run.trace:
        rows.append(("trace", visible(run.trace.file)))
    return _labelled(rows, width)


def _suite(suite: SuiteResult, width: int) -> str:
    title = f"{visible(suite.name)}: {visible(suite.title)} ({spoken_outcome(suite)})"
    rows = [row for case in suite.cases for row in _case_rows(case)]
    notes = [visible(note) for case in suite.cases for note in case.notes]
    table = _table(rows, width) if rows else "No case was run."
    parts = [_wrapped(title, width), table, *(_wrapped(f"Note: {note}", width) for note in notes)]
    return "\n".join(parts)


def _case_rows(case: CaseResult) -> list[tuple[str, ...]]:
    if case.trouble and {(one.outcome, one.reason) for one in case.assertions} == {(case.trouble, case.reason)}:
        # One thing befell all of them, and is said once.
        every = f"all {len(case.assertions)} of it"
        return [(visible(case.name), every, NOT_MEASURED, NOT_MEASURED, case.trouble.value, visible(case.reason))]
    rows = [
        (
            visible(assertion.measurement),
            spoken_value(assertion),
            visible(assertion.tolerance.text),
            assertion.outcome.value,
            visible(assertion.reason),
        )
        for assertion in case.assertions
    ]
    rows += [
        (visible(one.measurement), spoken_value(one), NOT_MEASURED, NOT_MEASURED, visible(one.reason) or NO_TOLERANCE)
        for one in case.measured
    ]
    if case.trouble or not case.assertions:
        outcome = case.trouble or Outcome.SKIPPED
        reason = visible(case.reason) or "Nothing was asserted."
        rows.append((NOT_MEASURED, NOT_MEASURED, NOT_MEASURED, outcome.value, reason))
    # The case is named once; below it the column stays empty, which shows what belongs together.
    return [(visible(case.name) if number == 0 else "", *row) for number, row in enumerate(rows)]


def _table(rows: list[tuple[str, ...]], width: int) -> str:
    named = [tuple(_cell(text, _WIDEST_NAME) for text in row[:2]) + row[2:5] for row in rows]
    room = max(_NARROWEST_REASON, width - _taken(named))
    full = [(*front, _cell(row[-1], room)) for front, row in zip(named, rows, strict=True)]
    return tabulate(full, headers=_HEADERS, tablefmt="simple", disable_numparse=True)


def _taken(rows: list[tuple[str, ...]]) -> int:
    """Return the width of all columns but the last, blanks between them counted."""
    columns = zip(*rows, strict=True)
    return sum(
        max([len(header) + _HEADER_PADDING, *(len(line) for cell in cells for line in cell.split("\n"))])
        + _BETWEEN_COLUMNS
        for header, cells in zip(_HEADERS, columns, strict=False)
    )


def _cell(text: str, width: int) -> str:
    return "\n".join(textwrap.wrap(text, width)) if text else ""


def _labelled(rows: list[tuple[str, str]], width: int) -> str:
    return "\n".join(
        textwrap.fill(text, width, initial_indent=f"{label:<{_LABEL}} ", subsequent_indent=" " * (_LABEL + 1))
        for label, text in rows
    )


def _wrapped(text: str, width: int) -> str:
    return textwrap.fill(text, width)
