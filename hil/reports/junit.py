"""A run as JUnit XML, for continuous-integration servers.

There is no official standard. The form is the one that the JUnit plug-in schema `junit-10` accepts, which most
readers take: `skipped` with a message, no `skipped` on the root, no properties inside a test case, times with at most
three decimals. One suite is a `testsuite`, one assertion a `testcase`; a case that was skipped or met an error gets a
`testcase` of its own. JUnit has no *undecided*: it is written as `skipped` with a message that says so, since it is
neither passed nor the robot's failure. A reader that treats skipped as good must look at the exit status.

On the virtual robot every class name begins with `virtual.`, so that its history never mixes with a real robot's.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from xml.etree import ElementTree

from hil.outcomes import Outcome
from hil.reports.wording import spoken_faults, spoken_lines, spoken_robot, spoken_value
from hil.results import AssertionResult, CaseResult, RunResult, SuiteResult

# All that XML 1.0 allows is kept; the rest cannot be written in any form, not even as a reference.
_ILLEGAL = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_ELEMENTS = {
    Outcome.FAILED: "failure",
    Outcome.ERROR: "error",
    Outcome.UNDECIDED: "skipped",
    Outcome.SKIPPED: "skipped",
}
_COUNTED = {"failures": "failure", "errors": "error", "skipped": "skipped"}


def run_to_junit(run: RunResult) -> str:
    """Return the run as an XML document, ending with a line feed."""
    root = ElementTree.Element("testsuites")
    for suite in run.suites:
        root.append(_suite(run, suite))
    if run.trouble or not run.suites:
        root.append(_run_itself(run))
    totals = {name: sum(int(suite.get(name, "0")) for suite in root) for name in ("tests", "failures", "errors")}
    root.set("name", _legal(f"hil: {spoken_robot(run)}"))
    for name, total in totals.items():
        root.set(name, str(total))
    root.set("time", _seconds(run.wall_s))
    ElementTree.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ElementTree.tostring(root, encoding="unicode")}\n'


def _suite(run: RunResult, suite: SuiteResult) -> ElementTree.Element:
    element = _empty_suite(run, suite.name, sum(case.wall_s for case in suite.cases))
    for case in suite.cases:
        element.extend(_test_cases(run, suite, case))
    return _counted(element)


def _run_itself(run: RunResult) -> ElementTree.Element:
    element = _empty_suite(run, "run", run.wall_s)
    test = _test_case(_class_name(run, "run"), "run", run.wall_s)
    _tell(test, run.trouble or Outcome.SKIPPED, run.reason or "No suite was run.")
    element.append(test)
    return _counted(element)


def _class_name(run: RunResult, *names: str) -> str:
    """Return the class name of a test case: suite and case, after `virtual` where no real robot was tested."""
    return ".".join((*(("virtual",) if run.robot.is_virtual else ()), *names))


def _empty_suite(run: RunResult, name: str, wall_s: float) -> ElementTree.Element:
    title = f"{name} (virtual robot)" if run.robot.is_virtual else name
    element = ElementTree.Element("testsuite", name=_legal(title))
    element.set("time", _seconds(wall_s))
    element.set("timestamp", run.started.strftime("%Y-%m-%dT%H:%M:%S"))
    properties = ElementTree.SubElement(element, "properties")
    for key, value in _properties(run):
        ElementTree.SubElement(properties, "property", name=key, value=_legal(value))
    return element


def _properties(run: RunResult) -> Iterator[tuple[str, str]]:
    yield "hil.version", run.tool_version
    yield "hil.run", run.run_id
    yield "hil.outcome", run.outcome.value
    yield "robot.name", run.robot.name
    yield "robot.serial", run.robot.serial
    yield "robot.class", run.robot.robot_class
    yield "robot.virtual", "yes" if run.robot.is_virtual else "no"
    if run.robot.is_virtual:
        yield "robot.faults", spoken_faults(run)
        yield "robot.seed", "" if run.seed is None else str(run.seed)
    yield "route", run.route.value
    if run.trace:
        yield "trace.file", run.trace.file
        yield "trace.sha256", run.trace.sha256
    for counts in spoken_lines(run):
        yield "lines", counts
    for note in run.notes:
        yield "note", note


def _test_cases(run: RunResult, suite: SuiteResult, case: CaseResult) -> Iterator[ElementTree.Element]:
    class_name = _class_name(run, suite.name, case.name)
    # The time of a case is shared evenly, so that the sum over its assertions is right.
    count = len(case.assertions) + (case.trouble is not None or not case.assertions)
    for assertion in case.assertions:
        test = _test_case(class_name, assertion.measurement, case.wall_s / count)
        _tell(test, assertion.outcome, assertion.reason)
        ElementTree.SubElement(test, "system-out").text = _legal(_account(assertion))
        yield test
    if case.trouble or not case.assertions:
        test = _test_case(class_name, "the case itself", case.wall_s / count)
        _tell(test, case.trouble or Outcome.SKIPPED, case.reason or "Nothing was asserted.")
        yield test


def _test_case(class_name: str, name: str, wall_s: float) -> ElementTree.Element:
    return ElementTree.Element("testcase", name=_legal(name), classname=_legal(class_name), time=_seconds(wall_s))


def _tell(test: ElementTree.Element, outcome: Outcome, reason: str) -> None:
    if outcome in _ELEMENTS:
        message = f"undecided: {reason}" if outcome is Outcome.UNDECIDED else reason
        ElementTree.SubElement(test, _ELEMENTS[outcome], type=outcome.value, message=_legal(message))


def _account(assertion: AssertionResult) -> str:
    lines = [
        f"{assertion.measurement}: {spoken_value(assertion)}",
        f"tolerance: {assertion.tolerance.text} ({assertion.rule.value} rule)",
        f"outcome: {assertion.outcome.value}. {assertion.reason}",
        *([f"source: {assertion.source}"] if assertion.source else []),
        *assertion.notes,
    ]
    return "\n".join(lines)


def _counted(suite: ElementTree.Element) -> ElementTree.Element:
    suite.set("tests", str(len(suite.findall("testcase"))))
    for attribute, element in _COUNTED.items():
        suite.set(attribute, str(len(suite.findall(f"testcase/{element}"))))
    return suite


def _seconds(duration_s: float) -> str:
    return f"{max(0.0, duration_s):.3f}"


def _legal(text: str) -> str:
    return _ILLEGAL.sub("", text)
