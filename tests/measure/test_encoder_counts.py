"""What counts alone show of encoders: counts a turn, left against right, direction, rest, loss, coarse halves."""

import math

import numpy as np
import pytest

from hil.measure.evidence import Answer
from hil.measure.model import Encoder
from hil.measure.values import CannotMeasureError

from .encoder_waves import ON_THE_MOTOR, hand_segment, levels_at, measured, segment

MARK = math.sqrt(2) * 5 / 360  # turns: the mark is set twice, to 5 deg


def counts(name="turned", wheel="left", per_s=360.0, lasts_s=10.0, every_s=0.02, begin=100.0, **told):
    time = np.arange(0, lasts_s + every_s / 2, every_s)
    return segment(name, wheel, "", 5 + time, np.floor(begin + per_s * time), **told)


def both(name, left_per_s, right_per_s, duty, lasts_s=10.0, right_duty=None):
    """Return a segment in which both wheels counted."""
    one, other = (counts(name, wheel, rate, lasts_s) for wheel, rate in (("left", left_per_s), ("right", right_per_s)))
    one.samples.update(other.samples)
    one.conditions.update({"duty.left": duty, "duty.right": duty if right_duty is None else right_duty})
    return one


def by_hand(wheel="left", in_all=3600.0, turns=10.0, **more):
    asked = {"turns": turns} if turns else {}
    return counts(f"{wheel}-turned", wheel, in_all / 10, labels={"wheel": wheel}, **asked, **more)


def test_counts_in_a_turn_are_those_from_mark_to_mark():
    found = measured("counts_per_turn", by_hand(in_all=3600, turns=10))
    assert (found.value, found.unit) == (pytest.approx(360), "count")
    # Rounding of two counts, and a mark set twice to 5 deg.
    assert found.u == pytest.approx(math.hypot(math.sqrt(2 / 12), 360 * MARK) / 10, rel=1e-6)
    assert "3600 in 10 turns; nominal 360" in found.notes[0]
    better = measured("counts_per_turn", by_hand(in_all=7200, turns=20))
    assert better.u == pytest.approx(found.u / 2, rel=1e-6)


def test_counts_in_a_turn_are_held_against_the_robot_file():
    found = measured("counts_error", by_hand(in_all=3564, turns=10))
    assert (found.value, found.unit) == (pytest.approx(-1.0), "%")


@pytest.mark.parametrize("way", ["step", "parameter", "answer"])
def test_turns_are_as_the_step_asked_or_as_they_are_told(way):
    turned = by_hand(in_all=4320, turns=12 if way == "step" else None)
    answer = Answer(name="turns", value=12.0, unit="", u=0.1, case="c", repeat=0, index=0, source="operator")
    if way == "parameter":
        found = measured("counts_per_turn", turned, numbers={"turns": 12.0})
    elif way == "answer":
        found = measured("counts_per_turn", turned, answers=[answer], answer="turns")
        assert found.u > 360 * 0.1 / 12
    else:
        found = measured("counts_per_turn", turned)
    assert found.value == pytest.approx(360)


def test_turns_that_nobody_told_are_asked_for():
    with pytest.raises(CannotMeasureError, match="from mark to mark"):
        measured("counts_per_turn", by_hand(turns=None))
    with pytest.raises(CannotMeasureError, match="the right wheel was not turned"):
        measured("counts_per_turn", by_hand(), wheel="right")


def test_counts_that_go_down_are_told_of():
    assert "swapped" in measured("counts_per_turn", by_hand(in_all=-3600)).notes[1]


@pytest.mark.parametrize(("outputs", "edges"), [(2, 4), (2, 2), (2, 1), (1, 2)])
def test_samples_are_counted_as_the_firmware_counts_edges(outputs, edges):
    encoder = Encoder(channels=outputs, cycles_per_turn=20, gear=1, edges=edges)
    drawn = hand_segment(np.random.default_rng(4), 20, outputs=outputs, turns=12, turns_per_s=1.0, stroke=0.4)
    found = measured("sampled_counts_error", drawn, encoder=encoder)
    assert found.value == pytest.approx(0, abs=0.5)
    assert abs(found.value) < 3 * found.u


def test_samples_that_turn_back_are_counted_back_by_two_outputs():
    time = np.arange(0, 6, 0.001)
    phase = np.where(time < 3, 20 * time, 60 - 20 * (time - 3))  # three turns forward, three back
    back = segment("left-turned", "left", "levels", time, levels_at(phase), {"wheel": "left"}, turns=1)
    found = measured("sampled_counts_error", back, encoder=Encoder(channels=2, cycles_per_turn=20))
    assert found.value == pytest.approx(-100, abs=3)


def test_samples_that_do_not_follow_are_not_counted():
    fast = hand_segment(np.random.default_rng(1), 90, every_s=0.01, turns=4, turns_per_s=1.0)
    with pytest.raises(CannotMeasureError, match="do not follow"):
        measured("sampled_counts_error", fast)


def test_a_wheel_at_rest_counts_nothing_and_dither_is_counted_up_and_down():
    still = counts("rest", per_s=0.0)
    found = measured("rest_counts", still)
    assert (found.value, found.n, found.is_count) == (0, 10, True)
    time = np.arange(0, 10, 0.02)
    dither = segment("rest", "left", "", time, 7 + (np.arange(time.size) % 50 == 0))
    assert measured("rest_counts", dither).value == 2 * 10 - 1
    with pytest.raises(CannotMeasureError, match="no counts of the right wheel"):
        measured("rest_counts", still, wheel="right")


def test_counts_go_the_way_the_motor_is_asked_to_turn():
    forward = both("forward", 400, 400, 0.3)
    backward = both("backward", -400, -400, -0.3)
    assert measured("direction", forward, backward).value == 1
    reversed_left = both("forward", -400, 400, 0.3)
    found = measured("direction", reversed_left)
    assert (found.value, found.u) == (-1, 0)
    assert "wires are swapped" in found.notes[1]
    assert measured("direction", reversed_left, wheel="right").value == 1
    # Turned forward by hand, the counts tell the encoder's part.
    assert measured("direction", by_hand(in_all=-3600)).value == -1
    assert measured("direction", by_hand()).value == 1


def test_a_direction_takes_two_outputs_and_a_wheel_that_turns():
    with pytest.raises(CannotMeasureError, match="does not tell a direction"):
        measured("direction", both("forward", 40, 40, 0.3), encoder=ON_THE_MOTOR)
    with pytest.raises(CannotMeasureError, match="did not turn"):
        measured("direction", both("forward", 0.1, 400, 0.3))
    with pytest.raises(CannotMeasureError, match="asked the left wheel"):
        measured("direction", counts())


def test_left_against_right_is_by_turns_of_each_wheel_where_there_are_any():
    found = measured("left_right", by_hand("left", 3600), by_hand("right", 3636))
    assert found.value == pytest.approx(100 * 36 / 3618)
    assert found.u == pytest.approx(math.sqrt(2) * 100 * MARK / 10, rel=0.05)
    assert "each wheel" in found.notes[0]


def test_left_against_right_at_the_same_duty_says_that_motors_are_in_it():
    found = measured("left_right", both("spin", 400, 402, 0.3))
    assert found.value == pytest.approx(0.5, abs=0.05)
    assert found.u < 0.05
    assert "motors" in found.notes[0]
    with pytest.raises(CannotMeasureError, match="same duty"):
        measured("left_right", both("spin", 400, 402, 0.3, right_duty=0.4))


def test_a_loss_of_one_wheel_shows_against_the_other_at_speed():
    slow, fast = both("slow", 200, 200, 0.2), both("fast", 1000, 980, 0.8)
    assert measured("counts_loss", slow, fast, wheel="right").value == pytest.approx(2.02, abs=0.1)
    assert measured("counts_loss", slow, fast, wheel="left").value == pytest.approx(-2.02, abs=0.1)
    assert "lose alike" in measured("counts_loss", slow, fast).notes[1]
    with pytest.raises(CannotMeasureError, match="differ by a fifth"):
        measured("counts_loss", slow, both("again", 210, 210, 0.21))


@pytest.mark.parametrize(("duty", "ripple"), [(0.6, 25.0), (0.7, 66.7)])
def test_unequal_halves_show_in_coarse_counts_whose_lines_follow_them(duty, ripple):
    # 40 counts a turn, both edges counted, half a turn a second: ten cycles a second, lines every 4 ms.
    time = np.arange(0, 20, 0.004)
    cycle = 10 * time + 0.02 * np.sin(time)
    told = 2 * np.floor(cycle) + (np.mod(cycle, 1) >= duty)
    found = measured("counts_ripple", segment("spin", "left", "", time, told), encoder=ON_THE_MOTOR)
    assert found.value == pytest.approx(ripple, abs=max(1.5, 3 * found.u))
    assert "do not tell whether" in found.notes[0]


def test_halves_that_lines_do_not_follow_are_refused():
    with pytest.raises(CannotMeasureError, match="8 are needed"):
        measured("counts_ripple", counts(per_s=60, every_s=0.02, lasts_s=20), encoder=ON_THE_MOTOR)
    one_edge = Encoder(channels=1, cycles_per_turn=1, gear=20, edges=1)
    with pytest.raises(CannotMeasureError, match="one edge"):
        measured("counts_ripple", counts(), encoder=one_edge)
