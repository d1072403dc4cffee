"""The methods for any channel, event or answer, on rows typed here."""

import math

import numpy as np
import pytest

from hil.measure.evidence import Answer, Drive, Event, Evidence, Samples
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, ElementKind, Heading, PathElement
from hil.measure.values import CannotMeasureError


def drive(name="leg", events=(), conditions=None, **channels):
    size = len(next(iter(channels.values())))
    time = 5.0 + 0.01 * np.arange(size)
    values = {key.replace("_", "."): np.asarray(row, dtype=float) for key, row in channels.items()}
    return Drive(
        name=name, case="c", repeat=0, path=(PathElement(kind=ElementKind.AHEAD, cells=1),), front="counts",
        speed_mm_s=300.0, start=CellPose(x=0, y=0, heading=Heading.NORTH), events=tuple(events),
        samples={"m": Samples(host_s=time + 100, values={"time": time, **values})}, conditions=conditions or {},
    )  # fmt: skip


def answer(value, index=0, name="reading", u=0.5, unit="mm"):
    return Answer(name=name, value=value, unit=unit, u=u, case="c", repeat=0, index=index, source="operator")


@pytest.fixture
def evidence(corridor, drawing):
    def built(*drives, answers=()):
        return Evidence(robot=drawing(course=corridor).robot, course=corridor, drives=drives, answers=tuple(answers))

    return built


def measure(name, evidence, of=(), numbers=None, **words):
    return METHODS[f"general.{name}"].run(evidence, Parameters(of=of, words=words, numbers=numbers or {}))


def test_mean_of_white_samples_has_their_scatter_over_root_n(evidence):
    volts = 7.4 + np.random.default_rng(1).normal(0, 0.05, 1000)
    found = measure("mean", evidence(drive(supply_battery=volts)), channel="supply.battery")
    assert found.value == pytest.approx(7.4, abs=0.01)
    assert found.unit == "V"
    assert found.u == pytest.approx(0.05 / math.sqrt(1000), rel=0.2)
    assert found.n == 1000


def test_mean_over_drives_carries_the_scatter_of_the_drives(evidence):
    rng = np.random.default_rng(2)
    levels = [7.0, 7.2, 7.4, 7.6]
    drives = [drive(supply_battery=level + rng.normal(0, 0.01, 500)) for level in levels]
    found = measure("mean", evidence(*drives), channel="supply.battery")
    assert found.value == pytest.approx(7.3, abs=0.01)
    assert found.u == pytest.approx(np.std(levels, ddof=1) / 2, rel=0.02)
    assert (found.dof, found.n) == (3, 4)


def test_extremes_and_last_value(evidence):
    one = evidence(drive(supply_battery=[7.0, 7.5, 6.8, 7.1]))
    assert measure("minimum", one, channel="supply.battery").value == 6.8
    assert measure("maximum", one, channel="supply.battery").value == 7.5
    assert measure("last", one, channel="supply.battery").value == 7.1
    assert measure("last", one, channel="supply.battery").u > 0


def test_spread_of_samples_is_their_standard_deviation(evidence):
    readings = 600 + np.random.default_rng(3).normal(0, 6, 2000)
    found = measure("spread", evidence(drive(wall_left=readings)), channel="wall.left")
    assert found.is_spread
    assert found.value == pytest.approx(6, rel=0.05)
    assert found.u == pytest.approx(
        6 / math.sqrt(2 * 2000), rel=0.2
    )  # standard error of a standard deviation, textbook


def test_slope_of_a_falling_battery(evidence):
    at = 0.01 * np.arange(500)
    volts = 7.4 - 0.02 * at + np.random.default_rng(4).normal(0, 0.005, at.size)
    found = measure("slope", evidence(drive(supply_battery=volts)), channel="supply.battery")
    assert abs(found.value + 0.02) < 3 * found.u
    assert found.unit == "V/s"


def test_duration_between_events_and_of_whole_drives(evidence):
    events = [Event(name=name, time_s=at, host_s=at) for name, at in (("turn.begin", 5.2), ("turn.end", 5.7))]
    one = evidence(drive(events=events, wall_left=np.ones(101)))
    assert measure("duration", one, begin="turn.begin", finish="turn.end").value == pytest.approx(0.5)
    assert measure("duration", one).value == pytest.approx(1.0)
    with pytest.raises(CannotMeasureError, match=r"begin \(fault\)"):
        measure("duration", one, begin="fault")


def test_events_are_counted_in_so_many_drives(evidence):
    fault = Event(name="fault", time_s=5.1, host_s=5.1)
    idle = Event(name="idle", time_s=5.9, host_s=5.9)
    rows = {"wall_left": np.ones(9)}
    found = measure("count", evidence(drive(events=[fault, idle], **rows), drive(events=[idle], **rows)), event="fault")
    assert (found.value, found.n, found.is_count) == (1.0, 2, True)
    with pytest.raises(CannotMeasureError, match="no event of any kind"):
        measure("count", evidence(drive(**rows)), event="fault")


def test_excursions_of_a_channel_are_counted_once_each(evidence):
    one = evidence(drive(duty_left=[0.9, 0.9, 0.2, 0.95, 0.3, -0.9]))
    assert measure("count", one, numbers={"above": 0.8}, channel="duty.left").value == 2
    assert measure("count", one, numbers={"above": 0.8, "below": -0.8}, channel="duty.left").value == 3
    with pytest.raises(CannotMeasureError, match="needs a limit"):
        measure("count", one, channel="duty.left")


def test_answers_are_summed_or_counted_where_they_lie_beyond_a_limit(evidence):
    stops = [answer(value, index) for index, value in enumerate((-12.0, 0.0, 9.9, 14.0))]
    one = evidence(*(drive(duty_left=[0.0]) for _ in stops), answers=stops)
    limits = {"above": 10.0, "below": -10.0}
    found = measure("count", one, numbers=limits, answer="reading")
    assert (found.value, found.n, found.is_count, found.source) == (2.0, 4, True, "operator")
    assert measure("count", one, numbers={"above": 10.0}, answer="reading").value == 1.0
    assert measure("count", one, answer="reading").value == pytest.approx(11.9)


def test_answers_use_their_instrument_or_their_scatter_whichever_is_larger(evidence):
    rows = drive(wall_left=np.ones(9))
    calm = measure("mean", evidence(rows, answers=[answer(1.0), answer(1.1), answer(0.9)]), answer="reading")
    assert (calm.value, calm.source) == (pytest.approx(1.0), "operator")
    assert calm.u == pytest.approx(0.5 / math.sqrt(3))
    assert math.isinf(calm.dof)
    wild = measure("mean", evidence(rows, answers=[answer(0.0), answer(4.0), answer(8.0)]), answer="reading")
    assert (wild.u, wild.dof) == (pytest.approx(4 / math.sqrt(3)), 2)


def test_answers_in_other_units_are_converted(evidence):
    rows = drive(wall_left=np.ones(9))
    found = measure("mean", evidence(rows, answers=[answer(10.0), answer(2.0, unit="cm", u=0.05)]), answer="reading")
    assert (found.value, found.unit) == (pytest.approx(15.0), "mm")
    with pytest.raises(CannotMeasureError, match="different units"):
        measure("mean", evidence(rows, answers=[answer(10.0), answer(2.0, unit="s")]), answer="reading")


def test_answers_against_a_condition_give_a_slope(evidence):
    drives = [drive(conditions={"board_mm": float(board)}, wall_left=np.ones(9)) for board in (0, 5, 10)]
    answers = [answer(-float(board), index=index) for index, board in enumerate((0, 5, 10))]
    found = measure("slope", evidence(*drives, answers=answers), answer="reading", against="board_mm")
    assert found.value == pytest.approx(-1.0)
    assert found.u == pytest.approx(0.5 / math.sqrt(50))  # u / root of the sum of squares of x, textbook
    assert found.unit == "mm per board_mm"


def test_exactly_one_thing_must_be_named(evidence):
    one = evidence(drive(wall_left=np.ones(9)))
    with pytest.raises(CannotMeasureError, match="exactly one"):
        measure("mean", one)
    with pytest.raises(CannotMeasureError, match="exactly one"):
        measure("mean", one, channel="wall.left", answer="reading")
    with pytest.raises(CannotMeasureError, match="was not received"):
        measure("mean", one, channel="gyro.yaw")
    with pytest.raises(CannotMeasureError, match="no answer named reading"):
        measure("mean", one, answer="reading")
