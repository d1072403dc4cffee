"""JUnit XML against the de-facto schema (`junit-10.xsd`, see the note beside it)."""

from dataclasses import replace
from pathlib import Path

import pytest
from lxml import etree

from hil.outcomes import Outcome
from hil.reports.junit import run_to_junit

SCHEMA = etree.XMLSchema(etree.parse(Path(__file__).with_name("junit-10.xsd")))


def read(run):
    return etree.fromstring(run_to_junit(run).encode())


def test_reports_are_valid(virtual_run, real_run):
    stopped = replace(virtual_run, suites=(), trouble=Outcome.ERROR, reason="There is no such port.")
    for run in (virtual_run, real_run, stopped, replace(real_run, suites=(), wall_s=123456.7891)):
        SCHEMA.assertValid(read(run))


def test_the_schema_used_here_refuses_what_is_wrong(real_run):
    root = read(real_run)
    root.find("testsuite/testcase").set("file", "somewhere")
    assert not SCHEMA.validate(root)


def test_outcomes_are_counted_as_the_form_knows_them(virtual_run):
    root = read(virtual_run)
    suite = root.find("testsuite")
    assert dict(root.attrib).items() >= {"tests": "8", "failures": "1", "errors": "1", "time": "5.400"}.items()
    assert dict(suite.attrib).items() >= {"tests": "8", "failures": "1", "errors": "1", "skipped": "3"}.items()


def test_undecided_is_never_a_pass(virtual_run):
    [test] = read(virtual_run).xpath("//testcase[@name='start_heading']")
    assert test.find("skipped").get("type") == "undecided"
    assert test.find("skipped").get("message").startswith("undecided: Too uncertain")
    good = read(virtual_run).xpath("//testcase[not(skipped) and not(failure) and not(error)]/@name")
    assert good == ["wheel_mismatch", "half_turn_spread", "contacts"]


def test_a_failure_says_why(virtual_run):
    [failure] = read(virtual_run).xpath("//testcase[@name='lateral_offset']/failure")
    assert failure.get("message") == "2.40 mm beyond the limit 5 mm."


def test_a_virtual_run_is_named_so_in_every_suite_and_class(virtual_run, real_run):
    root = read(virtual_run)
    assert "virtual robot" in root.get("name")
    assert all("virtual" in name for name in root.xpath("//testsuite/@name | //testcase/@classname"))
    assert root.xpath("//property[@name='robot.virtual']/@value") == ["yes"]
    assert root.xpath("//property[@name='robot.faults']/@value") == ["wheel-mismatch=0.25 %, lost-bytes=0.1 %"]
    assert "virtual" not in " ".join(read(real_run).xpath("//@classname"))
    assert read(real_run).xpath("//property[@name='robot.virtual']/@value") == ["no"]


def test_control_characters_of_a_robot_do_not_reach_the_file(virtual_run):
    text = run_to_junit(virtual_run)
    assert not [char for char in text if ord(char) < 32 and char != "\n"]
    assert "&lt;b&gt;hello&lt;/b&gt; &amp; 'goodbye'." in text


@pytest.mark.parametrize("char", ["\x00", "\x0b", "\x1b", "\ud800", "\ufffe", "\uffff"])
def test_no_character_that_xml_forbids_is_written(real_run, char):
    SCHEMA.assertValid(read(replace(real_run, notes=(f"before{char}after",), run_id=f"a{char}b")))
    assert "beforeafter" in run_to_junit(replace(real_run, notes=(f"before{char}after",)))


def test_a_run_that_did_not_begin_is_an_error_and_not_an_empty_success(real_run):
    root = read(replace(real_run, suites=(), trouble=Outcome.ERROR, reason="There is no such port."))
    assert root.get("errors") == "1"
    assert root.find("testsuite/testcase/error").get("message") == "There is no such port."
    assert read(replace(real_run, suites=())).find("testsuite/testcase/skipped") is not None
