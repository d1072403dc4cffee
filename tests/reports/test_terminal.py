"""The table in the terminal: the whole text of a small run, and rules that hold for any."""

from dataclasses import replace

import pytest

from hil.outcomes import Outcome
from hil.reports.markdown import run_to_markdown
from hil.reports.terminal import run_table, suite_table
from hil.reports.wording import visible
from hil.results import CaseResult, Route, SuiteResult

SMALL = """\
tested      robot Grey, serial 7, fast class
started     2026-01-02 03:04:05 UTC, hil 0.1.0
numbers by  the operator

straight-line: Straight run (passed)
case        measurement    value ± U       tolerance    outcome    reason
----------  -------------  --------------  -----------  ---------  ------------------------------
blind-legs  leg_distance   0.50 ± 0.51 mm  0 ± 5 mm     passed     4.50 mm inside the limit 5 mm.

U is the expanded uncertainty: value ± U covers with 95 % probability (Student t), unless another is
given beside it.

outcome     passed: 1 passed
time        61.0 s
"""


def test_a_small_run_reads_like_this(real_run):
    assert run_table(real_run) == SMALL


def test_numbers_by_both_routes_are_said_to_be_by_both(real_run):
    head = run_table(replace(real_run, route=Route.BOTH)).partition("\n\n")[0]
    assert "numbers by  the robot's telemetry and the operator, joined where they agree" in head


def test_all_that_matters_is_there(virtual_run):
    text = run_table(virtual_run)
    for word in (
        "virtual robot virtual, serial V-0001", "wheel-mismatch=0.25 %, lost-bytes=0.1 %", "seed        7",
        "0.031 ± 0.044 %", "0 ± 0.5 %", "0 in 10", "undecided", "skipped", "error", "main: 10000 good, 1 bad, 2 lost",
        "5.4 s for 180.0 s of the robot's own time (ratio 0.030)", "trace.sqlite",
        "outcome     error on the virtual robot: 3 passed, 1 failed, 2 undecided, 1 skipped, 1 error",
    ):  # fmt: skip
        assert word in text


@pytest.mark.parametrize("width", [100, 140])
def test_lines_keep_to_the_width(virtual_run, width):
    assert max(map(len, run_table(virtual_run, width=width).splitlines())) <= width


def test_the_text_is_plain(virtual_run):
    assert not [char for char in run_table(virtual_run) if ord(char) < 32 and char != "\n"]
    assert "\\x1b[31mnow\\x1b[0m" in suite_table(virtual_run.suites[0], width=200)


def test_characters_that_act_are_written_out():
    assert visible("a\x1b[2Jb\u202ec\x00d\ne\u2028\ud800") == "a\\x1b[2Jb\\u202ec\\x00d e\\u2028\\ud800"


def test_an_interrupted_run_says_so(real_run):
    text = run_table(replace(real_run, is_interrupted=True))
    assert "The run was interrupted" in text
    assert "outcome     skipped" in text


def test_a_suite_without_cases_says_so():
    assert suite_table(SuiteResult(name="s", title="S")) == "s: S (skipped)\nNo case was run.\n"


def test_a_suite_of_which_a_part_was_skipped_is_not_headed_as_skipped(real_run):
    suite = real_run.suites[0]
    reads = CaseResult(name="reads", title="R", trouble=Outcome.SKIPPED, reason="No operator route.", repeats=0)
    mixed = replace(suite, cases=(*suite.cases, reads))
    head = suite_table(mixed).splitlines()[0]
    assert head == "straight-line: Straight run (skipped in part: 1 passed, 1 skipped)"
    assert "| skipped in part | 1 |" in run_to_markdown(replace(real_run, suites=(mixed,)))
    alone = replace(suite, cases=(reads,))
    assert suite_table(alone).splitlines()[0] == "straight-line: Straight run (skipped)"


def test_a_run_in_which_nothing_was_asserted_says_so(real_run):
    said = "No assertion was made, so that this run shows nothing of the robot."
    reads = CaseResult(name="reads", title="R", trouble=Outcome.SKIPPED, reason="No operator route.", repeats=0)
    empty = replace(real_run, suites=(replace(real_run.suites[0], cases=(reads,)),))
    for text in (run_table(empty), run_to_markdown(empty)):
        assert said in text
    assert said not in run_table(real_run)
