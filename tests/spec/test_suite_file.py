"""Suites: what comes of a suite file, and which references between its parts are checked."""

# ruff: noqa: E501  (the sentences stand as the user sees them, each on a line)

from __future__ import annotations

from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.errors import FileMistakes
from hil.judge.verdict import Rule
from hil.measure.model import CellPose, ElementKind, Heading
from hil.spec.kinds import Kind
from hil.spec.loading import load_suite
from hil.spec.suite_values import (
    Ask,
    ChangeSettings,
    Condition,
    Do,
    DriveStep,
    Instrument,
    Observe,
    Pause,
    Place,
    Suite,
    Tell,
    Wait,
)

TEXT = """\
suite: s
title: S
why: to test
course: corridor-six
cautions: [Keep clear.]
cases:
  a:
    title: A
    repeat: {at_least: 5, at_most: 20}
    setup:
      - tell: Wipe the floor.
      - tell: {say: Lay a board., board: {cell: [0, 5], side: north, thickness: 5 mm}}
      - ask: {question: How warm is it?, as: warmth, unit: K}
      - place: {cell: [0, 1], heading: south}
      - set: {kp: 3.5, mode: slow}
      - do: {action: stream, values: {period: 20 ms}}
      - wait: {until: supply.battery >= 7 V, timeout: 5 s}
      - wait: {for: idle, timeout: 2 s}
      - pause: 500 ms
      - place: {at: start}
    sequence:
      - drive:
          path: ahead 2 by both, ahead 1 blind, about left, ahead 3 by left, about
          as: there
          times: 3
          speed: 0.2 m/s
          only_while: {clearance_over: 2 cells, at_least: 10 mm}
    operator_sequence:
      - drive: {path: "ahead 1, about, ahead 1, about right", as: by-hand}
      - observe: {what: offset, as: read, prompt: How far?}
      - observe: {what: angle, as: askew, prompt: How askew?, instrument: ruler, u: 1 deg}
    measure:
      heading: {method: straight.start_heading, of: there}
      warm: {method: general.last, of: [warmth], answer: warmth}
    assert:
      - {measurement: heading, rule: guarded, tolerance: 0 ± 2 deg, why: small}
      - measurement: warm
        entry: {tolerance: 290..300 K, why: mild}
        fast: {tolerance: 292..298 K, why: milder}
  b:
    title: B
    needs: a
    course: corner
    setup: [{place: {at: start}}]
    sequence: [{drive: {path: ahead 3, as: x}}]
    measure: {d: {method: general.duration, of: x}}
    assert: [{measurement: d, tolerance: <= 9 s, why: quick}]
"""


def loaded(tmp_path: Path, text: str) -> Suite:
    path = tmp_path / "s.suite.yaml"
    path.write_text(text, encoding="utf-8")
    return load_suite(path, Catalogue(tmp_path))


def sentences(tmp_path: Path, *changes: tuple[str, str]) -> list[str]:
    text = TEXT
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    with pytest.raises(FileMistakes) as caught:
        loaded(tmp_path, text)
    return [str(m).split(": ", 1)[1] for m in caught.value.mistakes]


def test_every_kind_of_step_comes_out_as_a_plain_value(tmp_path: Path) -> None:
    case = loaded(tmp_path, TEXT).cases[0]
    tell, board, ask, place, settings, do, until, event, pause, start = case.setup
    assert tell == Tell(say="Wipe the floor.")
    assert isinstance(board, Tell)
    assert board.board is not None
    assert (board.board.cell, board.board.side, board.board.thickness_mm) == ((0, 5), Heading.NORTH, 5.0)
    assert ask == Ask(question="How warm is it?", name="warmth", unit="K")
    assert place == Place(pose=CellPose(x=0, y=1, heading=Heading.SOUTH), at_start=False)
    assert settings == ChangeSettings(values={"kp": 3.5, "mode": "slow"})
    assert do == Do(action="stream", values={"period": pytest.approx(0.02)})
    assert until == Wait(condition=Condition(channel="supply.battery", comparison=">=", value=7.0), timeout_s=5.0)
    assert event == Wait(event="idle", timeout_s=2.0)
    assert pause == Pause(duration_s=0.5)
    assert start == Place(pose=CellPose(x=0, y=0, heading=Heading.NORTH), at_start=True)


def test_a_drive_carries_its_path_speed_and_condition(tmp_path: Path) -> None:
    (drive,) = loaded(tmp_path, TEXT).cases[0].sequence
    assert isinstance(drive, DriveStep)
    assert [(e.kind, e.cells, e.tracking) for e in drive.path] == [
        (ElementKind.AHEAD, 2, "both"),
        (ElementKind.AHEAD, 1, "none"),
        (ElementKind.ABOUT_LEFT, 0, "none"),
        (ElementKind.AHEAD, 3, "left"),
        (ElementKind.ABOUT_LEFT, 0, "none"),
    ]
    assert (drive.name, drive.front, drive.times, drive.speed_mm_s) == ("there", "counts", 3, 200.0)
    assert drive.only_while is not None
    assert (drive.only_while.clearance_over_cells, drive.only_while.at_least_mm) == (2, 10.0)


def test_a_reading_has_the_usual_instrument_unless_another_is_named(tmp_path: Path) -> None:
    _, offset, angle = loaded(tmp_path, TEXT).cases[0].operator_sequence
    assert isinstance(offset, Observe)
    assert isinstance(angle, Observe)
    # A steel ruler reads to 0.5 mm (common practice, no source).
    assert (offset.instrument, offset.u, offset.what.unit) == (Instrument.RULER, 0.5, "mm")
    assert (angle.instrument, angle.u, angle.what.unit) == (Instrument.RULER, 1.0, "deg")


def test_tolerances_are_kept_by_class_in_the_unit_of_the_measurement(tmp_path: Path) -> None:
    heading, warm = loaded(tmp_path, TEXT).cases[0].assertions
    assert heading.rule is Rule.GUARDED
    assert heading.limits["entry"] is heading.limits["fast"]
    assert (heading.limits["fast"].tolerance.lower, heading.limits["fast"].tolerance.unit) == (-2.0, "deg")
    assert (warm.limits["entry"].tolerance.lower, warm.limits["fast"].tolerance.lower) == (290.0, 292.0)
    assert warm.limits["entry"].why == "mild"


def test_cases_come_after_those_they_need(tmp_path: Path) -> None:
    turned = TEXT.replace("    title: A\n", "    title: A\n    needs: [b]\n").replace("    needs: a\n", "")
    assert [case.name for case in loaded(tmp_path, TEXT).cases] == ["a", "b"]
    assert [case.name for case in loaded(tmp_path, turned).cases] == ["b", "a"]


def test_a_repeat_is_a_number_or_a_least_and_a_most(tmp_path: Path) -> None:
    suite = loaded(tmp_path, TEXT)
    assert (suite.cases[0].repeat.at_least, suite.cases[0].repeat.at_most) == (5, 20)
    assert (suite.cases[1].repeat.at_least, suite.cases[1].repeat.at_most) == (1, 1)
    assert loaded(tmp_path, TEXT.replace("{at_least: 5, at_most: 20}", "7")).cases[0].repeat.at_most == 7


def test_the_operators_route_has_its_own_repeats_or_those_of_the_case(tmp_path: Path) -> None:
    case = loaded(tmp_path, TEXT).cases[0]
    assert case.rounds(by_person=True) == case.rounds(by_person=False) == case.repeat
    own = TEXT.replace("    operator_sequence:", "    operator_repeat: 3\n    operator_sequence:")
    case = loaded(tmp_path, own).cases[0]
    assert (case.rounds(by_person=True).at_most, case.rounds(by_person=False).at_most) == (3, 20)


def test_what_a_route_has_no_method_for_is_not_asserted_by_it(tmp_path: Path) -> None:
    by_hand = (
        "method: straight.start_heading, of: there, operator_method: observation.start_heading, operator_of: by-hand"
    )
    text = TEXT.replace("method: straight.start_heading, of: there", by_hand)
    case = loaded(tmp_path, text).cases[0]
    assert [one.measurement for one in case.asserted(by_person=True)] == ["heading"]
    assert case.unmeasured(by_person=True) == ("warm",)
    assert [one.measurement for one in case.asserted(by_person=False)] == ["heading", "warm"]
    assert case.unmeasured(by_person=False) == ()


def test_an_observation_without_a_prompt_is_asked_for_in_the_usual_words(tmp_path: Path) -> None:
    _, offset, _ = loaded(tmp_path, TEXT.replace(", prompt: How far?", "")).cases[0].operator_sequence
    assert isinstance(offset, Observe)
    assert offset.prompt == ""


@pytest.mark.parametrize("name", ["straight-line", "u-turn", "front-wall-reset"])
def test_every_shipped_suite_is_read(name: str, tmp_path: Path) -> None:
    catalogue = Catalogue(tmp_path)
    suite = load_suite(catalogue.find(Kind.SUITE, name), catalogue)
    assert suite.name == name
    assert all(assertion.limits.keys() == {"entry", "fast"} for case in suite.cases for assertion in case.assertions)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "    needs: a\n",
            "    needs: [b]\n",
            "cases.b.needs: found cases that need each other, 'b', expected an order to run them in",
        ),
        (
            "- tell: Wipe the floor.",
            "- tel: Wipe the floor.",
            "cases.a.setup[0].tel: found the unknown key 'tel', expected ask, collect, do, drive, hand_turn, jig, lamps, load, load_resistor, observe, pause, place, retether, set, spin, stand, tell, untether or wait (did you mean tell?)",
        ),
        (
            "- pause: 500 ms",
            "- lode: main",
            "cases.a.setup[8].lode: found the unknown key 'lode', expected ask, collect, do, drive, hand_turn, jig, lamps, load, load_resistor, observe, pause, place, retether, set, spin, stand, tell, untether or wait (did you mean load?)",
        ),
        (
            "cell: [0, 5], side: north",
            "cell: [0, 4], side: north",
            "cases.a.setup[1].tell.board.side: found 'north', expected a side of the cell [0, 4] with a wall to lay a board on",
        ),
        (
            "cell: [0, 5], side: north",
            "cell: [1, 5], side: north",
            "cases.a.setup[1].tell.board.cell: found a list of 2, expected a cell of the course corridor-six, [0, 0] to [0, 5]",
        ),
        ("unit: K", "unit: Kk", "cases.a.setup[2].ask.unit: found 'Kk', expected a unit such as 'mm'"),
        (
            "cell: [0, 1], heading: south",
            "cell: [0, 1]",
            "cases.a.setup[3].place.heading: found nothing, expected north, east, south or west",
        ),
        (
            "cell: [0, 1], heading: south",
            "cell: [0, 9], heading: south",
            "cases.a.setup[3].place.cell: found a list of 2, expected a cell of the course corridor-six, [0, 0] to [0, 5]",
        ),
        (
            "action: stream",
            "action: strem",
            "cases.a.setup[5].do.action: found 'strem', expected an action (did you mean stream?)",
        ),
        (
            "{period: 20 ms}",
            "{perod: 20 ms}",
            "cases.a.setup[5].do.values.perod: found 'perod', expected a value of stream (period) (did you mean period?)",
        ),
        (
            "supply.battery >= 7 V",
            "supply.batery >= 7 V",
            "cases.a.setup[6].wait.until: found 'supply.batery', expected a channel (did you mean supply.battery?)",
        ),
        (
            "supply.battery >= 7 V",
            "supply.battery >= 7 mm",
            "cases.a.setup[6].wait.until: found 'supply.battery >= 7 mm', expected a value in V (mm cannot be expressed in V)",
        ),
        (
            "what: offset",
            "what: ofset",
            "cases.a.operator_sequence[1].observe.what: found 'ofset', expected offset, angle, along, clearance left, clearance right, contacts, lap time, bow, light, display or meter (did you mean offset?)",
        ),
        (
            "instrument: ruler, u: 1 deg",
            "instrument: ruler",
            "cases.a.operator_sequence[2].observe.instrument: found 'ruler' for 'angle', expected the square, the two offsets or the overhead camera, or its uncertainty as 'u'",
        ),
        (
            "path: ahead 2 by both, ahead 1 blind",
            "path: left, ahead 1 blind",
            "cases.a.sequence[0].drive.path: found 'ahead 1 blind' from [0, 0] west into the end of the course west of the cell [0, 0], expected a path that is free in the course corridor-six",
        ),
        (
            "of: there}",
            "of: there, strech: whole}",
            "cases.a.measure.heading.strech: found the unknown key 'strech', expected method, of, operator_method, operator_of or stretch (did you mean stretch?)",
        ),
        (
            "of: there}",
            "of: there, operator_of: [rad]}",
            "cases.a.measure.heading.operator_of[0]: found 'rad', expected the name of a step ('as') (askew, by-hand, read or warmth) (did you mean read?)",
        ),
        (
            "rule: guarded",
            "rule: garded",
            "cases.a.assert[0].rule: found 'garded', expected simple or guarded (did you mean guarded?)",
        ),
        (
            "tolerance: 0 ± 2 deg, why: small",
            "tolerance: 0 ± 2 deg",
            "cases.a.assert[0].why: found nothing, expected text",
        ),
        (
            "        fast: {tolerance: 292..298 K, why: milder}\n",
            "",
            "cases.a.assert[1].fast: found nothing, expected a tolerance and its reason",
        ),
        (
            "at_least: 5, at_most: 20",
            "at_least: 25, at_most: 20",
            "cases.a.repeat: found a mapping, expected at_least not above at_most",
        ),
        (
            "    operator_sequence:",
            "    operator_repeat: {at_least: 5, at_most: 3}\n    operator_sequence:",
            "cases.a.operator_repeat: found a mapping, expected at_least not above at_most",
        ),
        (
            "    title: B\n",
            "    title: B\n    operator_repeat: 3\n",
            "cases.b.operator_repeat: found '3', expected it beside an operator_sequence only",
        ),
        (
            "why: quick}",
            "why: quick, and short}",
            "cases.b.assert[0].and short: found 'and short' behind a comma, expected the whole text in quotes, since a comma ends it",
        ),
        (
            "    title: B\n",
            "    title: B\n    title: C\n",
            "cases.b.title: found the key twice, expected it once; it stands in line 41 too",
        ),
    ],
)
def test_a_mistake_is_told_in_one_sentence(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    assert sentence in sentences(tmp_path, (old, new))


def test_a_path_that_drifts_is_caught_in_a_later_round(tmp_path: Path) -> None:
    """Two cells up and one back: free in the first rounds, through the end wall in the fifth."""
    old = "ahead 2 by both, ahead 1 blind, about left, ahead 3 by left, about"
    (found,) = sentences(tmp_path, (old, "ahead 2 by both, about left, ahead 1 by left, about"))
    assert "into a wall north of the cell [0, 5]" in found


def test_a_drive_before_the_robot_was_placed_is_refused(tmp_path: Path) -> None:
    assert sentences(tmp_path, ("setup: [{place: {at: start}}]", "setup: []")) == [
        "cases.b.sequence[0].drive: found a drive before any step place, expected the robot placed first"
    ]


def test_what_stands_in_for_a_missing_value_is_not_held_against_anything(tmp_path: Path) -> None:
    assert sentences(tmp_path, ("{measurement: d, tolerance: <= 9 s", "{tolerance: <= 9 s")) == [
        "cases.b.assert[0].measurement: found nothing, expected text"
    ]
    assert sentences(tmp_path, ("drive: {path: ahead 3, as: x}", "drive: {as: x}")) == [
        "cases.b.sequence[0].drive.path: found nothing, expected text"
    ]


def test_a_wrong_step_is_not_held_against_what_refers_to_it(tmp_path: Path) -> None:
    """The drive's path is wrong; that its name is used by a measurement is no second mistake."""
    assert len(sentences(tmp_path, ("path: ahead 3, as: x", "path: ahed 3, as: x"))) == 1
