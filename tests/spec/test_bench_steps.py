"""Steps of a bench in suite files: what comes of them, and every way in which they do not fit each other."""

# ruff: noqa: E501  (the sentences stand as the user sees them, each on a line)

from __future__ import annotations

import math
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.errors import FileMistakes
from hil.spec.bench_values import HandTurn, Jig, Lamps, LoadResistor, Spin, Stand, Taken
from hil.spec.loading import load_suite
from hil.spec.suite_values import Instrument, Observe, Observed, Pause, Suite

TEXT = """\
suite: s
title: S
why: to test
course: corridor-six
surfaces: [white, grey]
cases:
  wheels:
    title: Wheels
    setup:
      - stand: {}
    sequence:
      - spin: {left: 30 %, right: -15 %, for: 3 s, settle: 200 ms, as: slow, take: edges, provoke: flash write}
      - hand_turn: {wheel: left, turns: 12, as: turned}
      - pause: {for: 1 s, as: resting, take: ticks, emitter: wall.left, provoke: radio}
    operator_sequence:
      - observe: {what: meter, at: supply.motor, unit: V, accuracy: 0.5 % + 20 mV, as: rail}
    measure:
      duty: {method: encoder.duty, of: slow}
      rail: {operator_method: general.mean, operator_of: rail, answer: rail}
    assert:
      - {measurement: duty, tolerance: 50 ± 10 %, why: even}
  boards:
    title: Boards
    repeat: {over: surfaces}
    keeps: calibration
    setup:
      - lamps: off
    sequence:
      - jig: {sensors: [wall.left, wall.right], distances: [39 mm, 4.4 cm, 49 mm, 54 mm, 59 mm, none], surface: each, for: 1 s, as: left-jig}
      - jig: {sensors: wall.left, distances: [49 mm], surface: white, angle: 5 deg, as: turned}
    measure:
      noise: {method: walls.noise, of: left-jig}
    assert:
      - {measurement: noise, tolerance: <= 2 %, why: steady}
"""


def loaded(tmp_path: Path, *changes: tuple[str, str]) -> Suite:
    text = TEXT
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    path = tmp_path / "s.suite.yaml"
    path.write_text(text, encoding="utf-8")
    return load_suite(path, Catalogue(tmp_path))


def sentences(tmp_path: Path, *changes: tuple[str, str]) -> list[str]:
    with pytest.raises(FileMistakes) as caught:
        loaded(tmp_path, *changes)
    return [str(mistake).split(": ", 1)[1] for mistake in caught.value.mistakes]


@pytest.mark.parametrize(
    ("written", "found"), [("100 deg", "100 deg"), ("-61 deg", "-61 deg"), ("5", "5"), ("1 rad", ""), ("-60 deg", "")]
)
def test_a_board_is_turned_by_no_more_than_faces_the_sensor_still(tmp_path: Path, written: str, found: str) -> None:
    change = ("angle: 5 deg", f"angle: {written}")
    if found:
        expected = f"cases.boards.sequence[1].jig.angle: found '{found}', expected an angle such as '5 deg', up to 60 deg either way"
        assert sentences(tmp_path, change, ("    keeps: calibration\n", "")) == [expected]
    else:
        loaded(tmp_path, change)


@pytest.mark.parametrize(("written", "ohm"), [("10 ohm", 10.0), ("1 kohm", 1000.0), ("none", None)])
def test_a_load_resistor_is_clipped_on_or_taken_off(tmp_path: Path, written: str, ohm: float | None) -> None:
    boards = loaded(tmp_path, ("lamps: off", f"load_resistor: {written}")).cases[1]
    assert boards.setup == (LoadResistor(ohm=ohm),)


def test_every_step_of_a_bench_comes_out_as_a_plain_value(tmp_path: Path) -> None:
    wheels, boards = loaded(tmp_path).cases
    assert wheels.setup == (Stand(),)
    assert wheels.sequence == (
        Spin(
            left=0.3, right=-0.15, duration_s=3.0, name="slow", settle_s=0.2, takes=Taken.EDGES,
            provocation="flash write",
        ),
        HandTurn(wheel="left", turns=12.0, name="turned"),
        Pause(duration_s=1.0, name="resting", takes=Taken.TICKS, emitter="wall.left", provocation="radio"),
    )  # fmt: skip
    assert boards.setup == (Lamps(are_on=False),)
    jig, turned = boards.sequence
    assert jig == Jig(
        sensors=("wall.left", "wall.right"), distances_mm=(39.0, 44.0, 49.0, 54.0, 59.0, math.inf), name="left-jig",
        surface="", duration_s=1.0,
    )  # fmt: skip
    assert isinstance(turned, Jig)
    assert (turned.sensors, turned.surface) == (("wall.left",), "white")
    assert turned.angle_rad == pytest.approx(math.radians(5))
    assert boards.keeps == "calibration"


def test_the_rounds_of_a_case_are_those_of_the_suite_s_surfaces_or_of_the_run_s(tmp_path: Path) -> None:
    suite = loaded(tmp_path)
    wheels, boards = suite.cases
    assert suite.surfaces == ("white", "grey")
    assert (wheels.surfaces, boards.surfaces) == ((), ("white", "grey"))
    assert (boards.repeat.at_least, boards.repeat.at_most) == (2, 2)
    again = suite.on_surfaces(("red",))
    assert (again.cases[1].surfaces, again.cases[1].repeat.at_most) == (("red",), 1)
    assert again.cases[0].repeat == wheels.repeat
    alone = loaded(tmp_path, ("surfaces: [white, grey]\n", "")).cases[1]
    assert alone.surfaces == (alone.course.surface,)


@pytest.mark.parametrize(
    ("accuracy", "share", "bound"),
    [
        ("accuracy: 0.5 % + 20 mV", 0.005, 0.02),
        ("accuracy: 20 mV", 0.0, 0.02),
        ("accuracy: 1 %", 0.01, 0.0),
        ("accuracy: 0.5 % + 2 digits, resolution: 10 mV", 0.005, 0.02),
    ],
)
def test_a_meter_has_the_accuracy_that_its_maker_states(
    tmp_path: Path, accuracy: str, share: float, bound: float
) -> None:
    (rail,) = loaded(tmp_path, ("accuracy: 0.5 % + 20 mV", accuracy)).cases[0].operator_sequence
    assert isinstance(rail, Observe)
    assert (rail.what, rail.instrument, rail.unit, rail.at) == (
        Observed.METER, Instrument.METER, "V", "supply.motor",
    )  # fmt: skip
    assert rail.share == pytest.approx(share)
    # A bound a has the standard uncertainty a/sqrt(3) (JCGM 100:2008 4.3.7), a step of a display step/sqrt(12).
    step = rail.resolution / math.sqrt(12)
    assert rail.u == pytest.approx(math.hypot(bound / math.sqrt(3), step))


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "left: 30 %",
            "left: 130 %",
            "cases.wheels.sequence[0].spin.left: found '130 %', expected a duty from -100 % to 100 %",
        ),
        (
            "for: 3 s",
            "for: 10 min",
            "cases.wheels.sequence[0].spin.for: found '10 min', expected a quantity of at most 60 s",
        ),
        (
            "for: 1 s, as: left-jig",
            "for: 10 h, as: left-jig",
            "cases.boards.sequence[0].jig.for: found '10 h', expected a quantity of at most 60 s",
        ),
        (
            "surfaces: [white, grey]",
            "surfaces: [white, grey, White]",
            "surfaces[2]: found 'White', expected each surface once, and none called 'each'",
        ),
        (
            "left: 30 %",
            "left: 30 mm",
            "cases.wheels.sequence[0].spin.left: found '30 mm', expected a duty such as '30 %'",
        ),
        (
            "left: 30 %, right: -15 %",
            "left: 0 %, right: 0 %",
            "cases.wheels.sequence[0].spin: found both wheels at 0 %, expected a duty for one wheel at least",
        ),
        (
            "settle: 200 ms",
            "settle: 3 s",
            "cases.wheels.sequence[0].spin.settle: found '3 s', expected less than the 3 s that it turns",
        ),
        (
            "take: edges",
            "take: edgse",
            "cases.wheels.sequence[0].spin.take: found 'edgse', expected edges, ticks or levels (did you mean edges?)",
        ),
        (
            "      - stand: {}\n",
            "      - pause: 1 s\n",
            "cases.wheels.sequence[0].spin: found a step spin with the robot on no stand, expected a step 'stand' before it",
        ),
        (
            "      - hand_turn:",
            "      - place: {at: start}\n      - hand_turn:",
            "cases.wheels.sequence[2].hand_turn: found a step hand_turn with the robot on no stand, expected a step 'stand' before it",
        ),
        (
            "      - hand_turn:",
            "      - drive: {path: ahead 1, as: x}\n      - hand_turn:",
            "cases.wheels.sequence[1].drive: found a drive after a step 'stand', expected a step 'place' before it",
        ),
        (
            "wheel: left",
            "wheel: lef",
            "cases.wheels.sequence[1].hand_turn.wheel: found 'lef', expected left or right (did you mean left?)",
        ),
        (
            "turns: 12",
            "turns: 0",
            "cases.wheels.sequence[1].hand_turn.turns: found '0', expected a number above 0.0",
        ),
        (
            "emitter: wall.left",
            "emitter: wall.lft",
            "cases.wheels.sequence[2].pause.emitter: found 'wall.lft', expected a wall sensor (wall.front, wall.front.left, wall.front.right, wall.left, wall.left.diagonal, wall.right or wall.right.diagonal) (did you mean wall.left?)",
        ),
        (
            "as: resting, ",
            "",
            "cases.wheels.sequence[2].pause.take: found 'take' without 'as', expected a name, by which it is measured",
        ),
        (
            ", accuracy: 0.5 % + 20 mV",
            "",
            "cases.wheels.operator_sequence[0].observe.accuracy: found nothing, expected the accuracy that the meter's maker states",
        ),
        (
            "accuracy: 0.5 % + 20 mV",
            "accuracy: 0.5 % + 20 mA",
            "cases.wheels.operator_sequence[0].observe.accuracy: found '0.5 % + 20 mA', expected an accuracy such as '0.5 % + 20 mV'",
        ),
        (
            "accuracy: 0.5 % + 20 mV",
            "accuracy: 0.5 % + 2 digits",
            "cases.wheels.operator_sequence[0].observe.accuracy: found digits, expected the meter's smallest step beside it, as 'resolution'",
        ),
        (
            "at: supply.motor, unit: V",
            "at: supply.moter, unit: V",
            "cases.wheels.operator_sequence[0].observe.at: found 'supply.moter', expected a channel that a meter can be held to (supply.battery, supply.current or supply.motor) (did you mean supply.motor?)",
        ),
        (
            "at: supply.motor, unit: V",
            "at: supply.current, unit: V",
            "cases.wheels.operator_sequence[0].observe.unit: found 'V', expected A or mA, as supply.current is",
        ),
        (
            "what: meter, at: supply.motor, unit: V,",
            "what: meter, unit: V,",
            "cases.wheels.operator_sequence[0].observe.at: found nothing, expected what the meter is held to, such as supply.motor",
        ),
        (
            "what: meter, at: supply.motor, unit: V, accuracy: 0.5 % + 20 mV",
            "what: offset, at: supply.motor",
            "cases.wheels.operator_sequence[0].observe.at: found 'at', expected it for a meter only",
        ),
        (
            "lamps: off",
            "lamps: dim",
            "cases.boards.setup[0].lamps: found 'dim', expected on or off",
        ),
        (
            "lamps: off",
            "load_resistor: 0.1 ohm",
            "cases.boards.setup[0].load_resistor: found '0.1 ohm', expected a resistor of 1 to 1000 ohm such as '10 ohm', or none",
        ),
        (
            "[wall.left, wall.right]",
            "[wall.left, wall.rigth]",
            "cases.boards.sequence[0].jig.sensors[1]: found 'wall.rigth', expected a wall sensor (wall.front, wall.front.left, wall.front.right, wall.left, wall.left.diagonal, wall.right or wall.right.diagonal) (did you mean wall.right?)",
        ),
        (
            "[wall.left, wall.right]",
            "[wall.left, wall.left]",
            "cases.boards.sequence[0].jig.sensors[1]: found 'wall.left', expected each sensor once; it stands before",
        ),
        (
            "49 mm, 54 mm, 59 mm",
            "49 mm, 54 mm, 5.4 cm, 59 mm",
            "cases.boards.sequence[0].jig.distances[4]: found '5.4 cm', expected each distance once; it stands before",
        ),
        (
            "49 mm, 54 mm, 59 mm, none",
            "49 mm, 54 mm, none",
            "cases.boards.sequence[0].jig.distances: found 4 distances of a board, expected 5 distances at least, or one to carry a curve over, since the case keeps a calibration",
        ),
        (
            "distances: [49 mm]",
            "distances: [49 V]",
            "cases.boards.sequence[1].jig.distances[0]: found '49 V', expected a distance such as '49 mm' (up to 2 m), or none for the board taken away",
        ),
        (
            "surface: white, angle",
            "surface: whte, angle",
            "cases.boards.sequence[1].jig.surface: found 'whte', expected a surface of this suite (each, grey or white) (did you mean white?)",
        ),
        (
            "    repeat: {over: surfaces}\n",
            "",
            "cases.boards.sequence[0].jig.surface: found 'each', expected the name of a surface, since the case is not repeated over surfaces",
        ),
        (
            "repeat: {over: surfaces}",
            "repeat: {over: surfaces, at_least: 2}",
            "cases.boards.repeat: found a mapping, expected either {over: surfaces} or at_least and at_most",
        ),
        (
            "repeat: {over: surfaces}",
            "repeat: {over: surface}",
            "cases.boards.repeat.over: found 'surface', expected surfaces (did you mean surfaces?)",
        ),
        (
            "repeat: {over: surfaces}",
            "repeat: {at_least: 5}",
            "cases.boards.repeat.at_most: found nothing, expected a whole number",
        ),
        (
            "keeps: calibration",
            "keeps: calibrations",
            "cases.boards.keeps: found 'calibrations', expected calibration, supply, encoders or timing (did you mean calibration?)",
        ),
        (
            "surfaces: [white, grey]",
            "surfaces: [white, grey, white]",
            "surfaces[2]: found 'white', expected each surface once, and none called 'each'",
        ),
        (
            "    setup:\n      - stand: {}\n",
            "    keeps: calibration\n    setup:\n      - stand: {}\n",
            "cases.wheels.keeps: found 'calibration', expected a step 'jig' in a case that keeps a calibration",
        ),
    ],
)  # fmt: skip
def test_a_mistake_on_the_bench_is_told_in_one_sentence(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    assert sentence in sentences(tmp_path, (old, new))


@pytest.mark.parametrize(
    "step",
    ["spin: {left: 30 %, right: 30 %, for: 1 s, as: x}", "hand_turn: {wheel: left, turns: 2, as: x}",
     "pause: {for: 1 s, as: x, take: ticks}"],
)  # fmt: skip
def test_what_is_taken_down_needs_the_cable(tmp_path: Path, step: str) -> None:
    said = sentences(tmp_path, ("      - hand_turn:", f"      - untether: now\n      - {step}\n      - hand_turn:"))
    assert any("a step that needs the port while the cable is unplugged" in sentence for sentence in said)


def test_a_wrong_step_of_a_bench_makes_no_second_mistake_of_what_refers_to_it(tmp_path: Path) -> None:
    assert sentences(tmp_path, ("right: -15 %", "right: -15")) == [
        "cases.wheels.sequence[0].spin.right: found '-15', expected a duty from -100 % to 100 %"
    ]
