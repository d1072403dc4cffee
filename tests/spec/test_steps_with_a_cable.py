"""Steps of a person and of a cable, as files say them and as files get them wrong."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.errors import FileMistakes
from hil.spec.loading import load_suite
from hil.spec.suite_values import Collect, Instrument, Load, Observe, Observed, Pause, Retether, Step, Suite, Untether

HEAD = """
suite: s
title: T
why: W
course: corridor-six
cases:
  a:
    title: A
    sequence:
      - place: {at: start}
"""
TAIL = """
    measure:
      driven: {method: general.count, answer: hits}
    assert:
      - {measurement: driven, tolerance: "= 0", why: none}
"""
COUNT = "      - observe: {what: contacts, as: hits}\n"

Load_ = Callable[..., Suite]


@pytest.fixture
def load(tmp_path: Path) -> Load_:
    def from_steps(*steps: str, repeat: int = 1) -> Suite:
        path = tmp_path / "s.suite.yaml"
        lines = "".join(f"      - {step}\n" for step in steps)
        path.write_text(HEAD + lines + COUNT + f"    repeat: {repeat}\n" + TAIL.lstrip("\n"))
        return load_suite(path, Catalogue())

    return from_steps


def steps_of(suite: Suite) -> tuple[Step, ...]:
    return suite.cases[0].sequence[1:-1]


def sentence(load: Load_, *steps: str, repeat: int = 1) -> str:
    with pytest.raises(FileMistakes) as refused:
        load(*steps, repeat=repeat)
    (mistake,) = refused.value.mistakes
    return str(mistake).split(": ", 1)[1]


def test_steps_of_a_cable_are_read_in_both_their_forms(load: Load_) -> None:
    suite = load(
        "load: driving",
        "untether: Keep it away from the wheels.",
        "retether: {timeout: 30 s}",
        "collect: log",
        "collect: {what: map, timeout: 5 s}",
        "pause: {for: 2 s, as: standing}",
        "pause: 500 ms",
    )
    assert steps_of(suite) == (
        Load(program="driving"),
        Untether(say="Keep it away from the wheels."),
        Retether(timeout_s=30.0),
        Collect(what="log", timeout_s=60.0),
        Collect(what="map", timeout_s=5.0),
        Pause(duration_s=2.0, name="standing"),
        Pause(duration_s=0.5),
    )


@pytest.mark.parametrize(
    ("keys", "u"),
    [
        # The table of usual standard uncertainties (common practice, no source).
        ("what: offset, instrument: ruler", 0.5),
        ("what: clearance left, instrument: calliper", 0.05),
        ("what: angle", 0.4),
        ("what: angle, instrument: overhead camera", 0.3),
        ("what: along, instrument: overhead camera", 1.0),
        ("what: lap time", 0.1),
        ("what: contacts", 0.0),
        ("what: offset, u: 0.02 cm", 0.2),
        ("what: offset, instrument: eye, u: 3 mm", 3.0),
        ("what: angle, u: 0.01 rad", math.degrees(0.01)),
    ],
)
def test_each_instrument_has_its_usual_uncertainty_until_the_suite_says_its_own(
    load: Load_, keys: str, u: float
) -> None:
    (step,) = steps_of(load(f"observe: {{{keys}, as: a}}"))
    assert isinstance(step, Observe)
    assert step.u == pytest.approx(u)


def test_a_reading_says_where_and_with_what_it_is_taken(load: Load_) -> None:
    suite = load(
        "observe: {what: angle, as: a, instrument: two offsets, apart: 100 mm}",
        "observe: {what: bow, as: b, over: 0.54 m}",
        "observe: {what: offset, as: c, mark: the tape across the third cell, resolution: 1 mm}",
        "observe: {what: display, as: d, unit: V, resolution: 0.01 V}",
        "observe: {what: light, as: e}",
    )
    angle, bow, offset, display, light = (step for step in steps_of(suite) if isinstance(step, Observe))
    assert (angle.instrument, angle.apart_mm, angle.u) == (Instrument.TWO_OFFSETS, 100.0, 0.5)
    assert (bow.what, bow.over_mm, bow.u, bow.unit) == (Observed.BOW, 540.0, 0.5, "mm")
    # JCGM 100:2008 F.2.2.1: a step of 1 mm adds 1/sqrt(12) mm to the ruler's own half millimetre.
    assert offset.u == pytest.approx(math.hypot(0.5, 1 / math.sqrt(12)))
    assert offset.mark == "the tape across the third cell"
    assert (display.unit, display.u) == ("V", pytest.approx(0.01 / math.sqrt(12)))
    assert (light.unit, light.u) == ("", 0.0)


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        (
            ["untether: ''", "untether: ''"],
            "",
        ),
    ],
)
def test_an_empty_word_for_the_person_is_no_text(load: Load_, steps: list[str], said: str) -> None:
    with pytest.raises(FileMistakes):
        load(*steps)


@pytest.mark.parametrize(
    ("steps", "repeat", "said"),
    [
        (
            ["untether: {}", "untether: {}"],
            1,
            "cases.a.sequence[2]: found a second 'untether', expected a 'retether' before it",
        ),
        (
            ["untether: {}"],
            2,
            "cases.a.sequence[1]: found a second 'untether', expected a 'retether' before it",
        ),
        (
            ["retether: {}"],
            1,
            "cases.a.sequence[1]: found a 'retether' with the cable in place, expected an 'untether' before it",
        ),
        (
            ["untether: {}", "collect: log"],
            1,
            (
                "cases.a.sequence[2]: found a step that needs the port while the cable is unplugged, "
                "expected a 'retether' before it"
            ),
        ),
        (
            ["observe: {what: bow, as: b}"],
            1,
            "cases.a.sequence[1].observe.over: found nothing, expected the length over which the bow is read",
        ),
        (
            ["observe: {what: angle, as: a, apart: 100 mm}"],
            1,
            "cases.a.sequence[1].observe.apart: found 'apart', expected it for an angle by two offsets only",
        ),
        (
            ["observe: {what: angle, as: a, instrument: two offsets}"],
            1,
            "cases.a.sequence[1].observe.apart: found nothing, expected how far apart the two offsets are read",
        ),
        (
            ["observe: {what: offset, as: a, instrument: stopwatch}"],
            1,
            (
                "cases.a.sequence[1].observe.instrument: found 'stopwatch' for 'offset', "
                "expected the ruler, the calliper or the overhead camera, or its uncertainty as 'u'"
            ),
        ),
        (
            ["observe: {what: offset, as: a, instrument: two offsets, u: 1 mm}"],
            1,
            (
                "cases.a.sequence[1].observe.instrument: found 'two offsets' for 'offset', "
                "expected the ruler, the calliper or the overhead camera"
            ),
        ),
        (
            ["observe: {what: offset, as: a, u: 0.5}"],
            1,
            "cases.a.sequence[1].observe.u: found '0.5', expected an uncertainty such as '0.5 mm'",
        ),
        (
            ["observe: {what: offset, as: a, over: 540 mm}"],
            1,
            "cases.a.sequence[1].observe.over: found 'over', expected it for a bow only",
        ),
        (
            ["observe: {what: angle, as: a, mark: the tape}"],
            1,
            ("cases.a.sequence[1].observe.mark: found 'mark', expected it for an offset or a place along the way only"),
        ),
        (
            ["observe: {what: display, as: a, unit: volts an hour}"],
            1,
            "cases.a.sequence[1].observe.unit: found 'volts an hour', expected a unit such as 'V'",
        ),
        (
            ["untether: {}", "pause: 1 s", "wait: {for: move.end, timeout: 3 s}"],
            1,
            (
                "cases.a.sequence[3]: found a step that needs the port while the cable is unplugged, "
                "expected a 'retether' before it"
            ),
        ),
        (
            ["observe: {what: light, as: a, unit: V}"],
            1,
            "cases.a.sequence[1].observe.unit: found 'unit', expected it for a display or a meter only",
        ),
        (
            ["observe: {what: offset, as: a, resolution: 1 s}"],
            1,
            "cases.a.sequence[1].observe.resolution: found '1 s', expected a resolution such as '0.5 mm'",
        ),
    ],
)
def test_a_step_that_does_not_fit_is_told_in_one_sentence(
    load: Load_, steps: list[str], repeat: int, said: str
) -> None:
    assert sentence(load, *steps, repeat=repeat) == said


def test_two_methods_of_one_measurement_are_in_one_unit(tmp_path: Path) -> None:
    path = tmp_path / "s.suite.yaml"
    tail = TAIL.replace(
        "{method: general.count, answer: hits}",
        "{method: turn.half_turn_error, operator_method: observation.stop_position}",
    )
    path.write_text(HEAD + COUNT + tail.lstrip("\n"))
    with pytest.raises(FileMistakes) as refused:
        load_suite(path, Catalogue())
    assert [str(one).split(": ", 1)[1] for one in refused.value.mistakes] == [
        "cases.a.measure.driven.operator_method: found a method in mm, expected one in deg, as its 'method' is"
    ]
