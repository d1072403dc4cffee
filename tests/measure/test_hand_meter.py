"""The meter for hand-turned encoders, fed as a live page feeds it: a few samples at a time."""

import dataclasses
import math

import numpy as np
import pytest

from hil.measure.hand_meter import HandMeter, HandSettings, HandVerdict

from .encoder_waves import hand, levels_at, measured, segment

WHEEL = HandSettings(cycles_per_turn=90)
MOTOR = HandSettings(cycles_per_turn=20, outputs=1, edges=2)


def turned(settings, *, turns=12.0, turns_per_s=1.0, duty=0.5, seed=1, every_s=0.001, **hand_words):
    """Return (times, levels) of a wheel turned by hand before the encoder of `settings`."""
    chance = np.random.default_rng(seed)
    time, angle = hand(chance, turns, turns_per_s, **hand_words)
    at = np.arange(0.0, time[-1], every_s)
    phase = np.interp(at, time, angle) * settings.cycles_per_turn
    return at, levels_at(phase, duty, outputs=settings.outputs)


def fed(meter, times, levels, chunk=20):
    """Feed all samples, a chunk at a time, and return every state."""
    return [meter.feed(times[at : at + chunk], levels[at : at + chunk]) for at in range(0, len(times), chunk)]


@pytest.mark.parametrize("settings", [WHEEL, MOTOR], ids=["90 on the wheel", "20 through a gear"])
def test_a_good_encoder_is_good_and_stays_good_over_ten_turns(settings):
    states = fed(HandMeter(settings), *turned(settings, stroke=0.5))
    assert states[0].verdict in (HandVerdict.WAITING, HandVerdict.MEASURING)
    verdicts = list(dict.fromkeys(state.verdict for state in states))
    assert verdicts[-2:] == [HandVerdict.GOOD, HandVerdict.STAYS_GOOD]
    first = next(state for state in states if state.verdict is HandVerdict.STAYS_GOOD)
    assert first.good_turns == pytest.approx(10, abs=0.1)
    last = states[-1]
    assert last.high_deg + last.low_deg == pytest.approx(360)
    assert last.high_deg == pytest.approx(180, abs=max(2.0, 1.5 * last.u_off_deg))
    assert last.turns == pytest.approx(12, abs=0.1)
    assert (last.missing, last.extra, last.illegal) == (0, 0, 0)


@pytest.mark.parametrize(("duty", "verdict"), [(0.6, HandVerdict.HIGH_TOO_LONG), (0.42, HandVerdict.LOW_TOO_LONG)])
def test_it_says_which_half_is_too_long_and_by_how_much(duty, verdict):
    last = fed(HandMeter(WHEEL), *turned(WHEEL, turns=6.0, duty=duty))[-1]
    assert last.verdict is verdict
    assert last.high_deg == pytest.approx(360 * duty, abs=2.5)
    assert last.off_deg == pytest.approx(360 * (2 * duty - 1), abs=5)
    assert f"lasts {abs(last.off_deg):.0f} deg longer" in last.advice
    assert last.good_turns == 0


def test_moving_the_sensor_until_the_halves_are_equal_turns_the_verdict():
    wrong, right = turned(MOTOR, turns=5.0, duty=0.65), turned(MOTOR, turns=5.0, duty=0.5, seed=2)
    meter = HandMeter(MOTOR)
    assert fed(meter, *wrong)[-1].verdict is HandVerdict.HIGH_TOO_LONG
    states = fed(meter, right[0] + wrong[0][-1] + 0.001, right[1])
    assert states[-1].verdict is HandVerdict.GOOD
    assert states[-1].good_turns < 5
    assert fed(meter, wrong[0] + 100, wrong[1])[-1].good_turns == 0


def test_it_shows_what_the_measurement_finds_of_the_same_turns():
    times, levels = turned(WHEEL, turns=4.0, duty=0.57)
    whole = HandMeter(dataclasses.replace(WHEEL, over_turns=4.0))
    last = fed(whole, times, levels)[-1]
    found = measured("sampled_duty", segment("by-hand", "left", "levels", times, levels))
    assert last.high_deg == pytest.approx(3.6 * found.value, abs=1.0)


def test_how_the_samples_are_cut_into_chunks_does_not_matter():
    times, levels = turned(MOTOR, turns=5.0, duty=0.55)
    alike = [fed(HandMeter(MOTOR), times, levels, chunk)[-1].counts for chunk in (1, 7, 50, 5000)]
    assert len(set(alike)) == 1
    highs = [fed(HandMeter(MOTOR), times, levels, chunk)[-1].high_deg for chunk in (1, 7, 50)]
    assert max(highs) - min(highs) < 0.5


def test_light_and_direction_follow_at_once_and_rest_is_told():
    time = np.arange(0, 2, 0.001)
    phase = 90 * time
    meter = HandMeter(WHEEL)
    forward = fed(meter, time, levels_at(phase))[-1]
    assert (forward.direction, forward.levels) == (1, int(levels_at(phase[-1:])[0]))
    assert forward.turns_per_s == pytest.approx(1.0, rel=0.15)
    backward = fed(meter, time + 2, levels_at(180 - phase))[-1]
    assert backward.direction == -1
    assert backward.turns == pytest.approx(0, abs=0.02)
    still = fed(meter, time + 4, np.zeros(time.size, dtype=int))[-1]
    assert (still.direction, still.turns_per_s) == (0, 0.0)


def test_counts_in_a_turn_are_those_between_two_marks():
    time = np.arange(0, 2, 0.001)
    meter = HandMeter(WHEEL)
    assert math.isnan(meter.mark())
    fed(meter, time, levels_at(90 * time))
    assert meter.mark() == pytest.approx(720, abs=1)
    assert meter.state.counts_per_turn == pytest.approx(720, abs=1)
    meter.reset()
    assert math.isnan(meter.state.counts_per_turn)
    assert meter.state.verdict is HandVerdict.WAITING


@pytest.mark.parametrize(("edges", "counts"), [(4, 720), (2, 360), (1, 180)])
def test_it_counts_the_edges_that_the_firmware_counts(edges, counts):
    time = np.arange(0, 2, 0.001)
    last = fed(HandMeter(dataclasses.replace(WHEEL, edges=edges)), time, levels_at(90 * time))[-1]
    assert last.counts == pytest.approx(counts, abs=1)


def test_a_slot_that_is_closed_is_a_missing_pair_and_a_split_one_an_extra():
    time = np.arange(0, 6, 0.001)
    phase = 10 * time
    levels = levels_at(phase, outputs=1)
    closed = np.where(np.floor(phase) == 25, 0, levels)
    assert fed(HandMeter(MOTOR), time, closed)[-1].missing == 2
    within = phase - 30
    split = np.where((within > 0.15) & (within < 0.25), 0, levels)
    last = fed(HandMeter(MOTOR), time, split)[-1]
    assert (last.missing, last.extra) == (0, 2)
    slower = np.where(time < 3, phase, 30 + 5 * (time - 3))  # half as fast from one cycle to the next is no fault
    last = fed(HandMeter(MOTOR), time, levels_at(slower, outputs=1))[-1]
    assert (last.missing, last.extra) == (0, 0)


def test_a_hand_that_slows_down_and_goes_on_is_no_missing_pair():
    # Periods of the cycles [s]: the longest is 1.9 times the mean of the two beside it, which are alike.
    periods = [0.05] * 6 + [0.062, 0.08, 0.166, 0.095, 0.065] + [0.05] * 6
    starts = np.concatenate([[0.0], np.cumsum(periods)])
    time = np.arange(0, starts[-1], 0.001)
    last = fed(HandMeter(MOTOR), time, levels_at(np.interp(time, starts, np.arange(starts.size)), outputs=1))[-1]
    assert (last.missing, last.extra) == (0, 0)


def test_both_outputs_at_once_is_illegal_and_too_fast_a_hand_is_told():
    slow = np.arange(0, 2, 0.001)
    levels = levels_at(20 * slow)
    skipped = np.where(levels == 3, 1, levels)  # output B is never seen to rise
    assert fed(HandMeter(WHEEL), slow, skipped)[-1].illegal > 10
    fast = np.arange(0, 1, 0.01)
    last = fed(HandMeter(WHEEL), fast, levels_at(40 * fast + 0.1))[-1]
    assert last.is_too_fast
    assert not fed(HandMeter(WHEEL), slow, levels)[-1].is_too_fast


def test_samples_that_come_again_are_left_out():
    time = np.arange(0, 2, 0.001)
    meter = HandMeter(MOTOR)
    before = fed(meter, time, levels_at(10 * time, outputs=1))[-1]
    assert meter.feed(time[-100:], levels_at(10 * time[-100:], outputs=1)) == before


def test_hours_of_turning_keep_no_more_than_the_last_changes():
    meter = HandMeter(MOTOR)
    time = np.arange(0, 1, 0.001)
    levels = levels_at(20 * time, outputs=1)
    for second in range(300):
        meter.feed(time + second, levels)
    held = [value for value in vars(meter).values() if hasattr(value, "__len__")]
    assert sum(len(value) for value in held) < 10000
    assert meter.state.turns == pytest.approx(300, abs=1)


def test_an_encoder_that_cannot_be_is_refused():
    for wrong in ({"cycles_per_turn": 0.0}, {"cycles_per_turn": 20.0, "outputs": 1, "output": "b"}):
        with pytest.raises(ValueError, match="no encoder"):
            HandMeter(HandSettings(**wrong))


def test_samples_that_do_not_follow_the_disc_send_nobody_to_move_the_sensor():
    # 90 cycles at a turn a second, sampled 40 times a second: 6 samples a cycle would take 0.074 turns a second.
    seldom = fed(HandMeter(WHEEL), *turned(WHEEL, every_s=1 / 40), chunk=4)
    late = seldom[len(seldom) // 4 :]
    assert not {one.verdict for one in late} & {HandVerdict.HIGH_TOO_LONG, HandVerdict.LOW_TOO_LONG, HandVerdict.GOOD}
    assert all(one.is_too_fast for one in late)
    assert sum((late[-1].missing, late[-1].extra, late[-1].illegal)) <= 4
    assert late[-1].followed_turns_per_s == pytest.approx(40 / 6 / 90, rel=0.01)
    slow = fed(HandMeter(WHEEL), *turned(WHEEL, turns=3.0, turns_per_s=0.05, every_s=1 / 40), chunk=4)[-1]
    assert (slow.is_too_fast, slow.verdict) == (False, HandVerdict.GOOD)


def test_samples_that_come_in_bursts_are_as_seldom_as_they_are_on_the_whole():
    # Four at a time, as by the host's clock: ten milliseconds between bursts are 2.5 from sample to sample.
    times = [0.01 * (at // 4) + 0.0001 * (at % 4) for at in range(400)]
    last = fed(HandMeter(WHEEL), times, [int(level) for level in levels_at(0.5 * np.arange(400) / 4)])[-1]
    assert last.followed_turns_per_s == pytest.approx(400 / 6 / 90, rel=0.1)
