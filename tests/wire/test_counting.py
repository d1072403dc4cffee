"""Following counters that wrap, and telling lost lines from a robot that began anew."""

from __future__ import annotations

import pytest

from hil.wire.counting import LARGEST_GAP, Numbering, Unwrapper


def followed(modulus: float, values: list[float]) -> list[float]:
    unwrapper = Unwrapper(modulus)
    return [unwrapper.follow(value) for value in values]


def test_clock_goes_on_beyond_its_modulus() -> None:
    assert followed(4294.967296, [4294.0, 0.5, 4294.9, 1.0]) == pytest.approx(
        [4294.0, 4295.467296, 4294.9, 4295.967296]
    )


def test_signed_counter_wraps_both_ways() -> None:
    assert followed(65536, [32767, -32768, 32767, -32760]) == [32767, 32768, 32767, 32776]
    assert followed(65536, [-32768, 32767, 32000]) == [-32768, -32769, -33536]


def test_long_travel_is_followed_over_many_turns() -> None:
    true = [1000 * i for i in range(500)]
    assert followed(65536, [(t + 32768) % 65536 - 32768 for t in true]) == true


@pytest.mark.parametrize("modulus", [0, -1, float("nan")])
def test_modulus_that_is_none_is_refused(modulus: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        Unwrapper(modulus)


def counted(
    rows: list[tuple[int, float | None]], modulus: int = 65536, clock_modulus: float = 4294.967296
) -> tuple[int, int]:
    numbering = Numbering(modulus, clock_modulus)
    for number, clock in rows:
        numbering.follow(number, clock)
    return numbering.lost, numbering.restarts


def test_first_line_says_nothing() -> None:
    assert counted([(4711, 5.0)]) == (0, 0)


def test_gap_is_loss() -> None:
    assert counted([(1, 0.0), (2, 0.1), (5, 0.4), (6, 0.5)]) == (2, 0)


def test_gap_over_the_wrap_is_loss() -> None:
    assert counted([(65534, 10.0), (2, 10.1)]) == (3, 0)


def test_wrap_without_a_gap_is_nothing() -> None:
    assert counted([(65535, 10.0), (0, 10.1)]) == (0, 0)


def test_wrap_of_the_clock_alone_is_no_restart() -> None:
    assert counted([(100, 4294.9), (101, 0.03), (103, 0.05)]) == (1, 0)


def test_silence_between_two_lines_is_no_loss() -> None:
    assert counted([(100, 10.0), (101, 900.0)]) == (0, 0)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ((40_000, 400.0), (0, 0.05)),
        ((40_000, 4000.0), (0, 0.05)),
        ((65_500, 700.0), (3, 0.08)),  # the numbers alone would look like 38 lost lines
        ((65_500, 4000.0), (3, 0.08)),  # and the clock like one that wrapped
        ((5, 3.0), (200, 1.0)),  # many lines of the new beginning were lost
        ((7, 3.0), (7, 0.5)),
        ((5, 3.0), (2, None)),
        ((40_000, None), (0, None)),
    ],
)
def test_robot_that_began_anew_has_lost_nothing(
    before: tuple[int, float | None], after: tuple[int, float | None]
) -> None:
    number, clock = after
    later = (number + 2, None if clock is None else clock + 0.1)
    assert counted([before, after]) == (0, 1)
    assert counted([before, after, later]) == (1, 1)


def test_same_line_twice_is_nothing() -> None:
    assert counted([(7, 3.0), (7, 3.0), (8, 3.1)]) == (0, 0)
    assert counted([(7, None), (7, None)]) == (0, 0)


def test_largest_gap_is_loss_and_one_more_is_a_new_beginning() -> None:
    assert counted([(0, 0.0), (LARGEST_GAP + 1, 12.0)]) == (LARGEST_GAP, 0)
    assert counted([(0, 0.0), (LARGEST_GAP + 2, 12.0)]) == (0, 1)


def test_numbering_of_one_byte_counts_up_to_half_its_modulus() -> None:
    assert counted([(250, None), (100, None)], modulus=256) == (105, 0)
    assert counted([(250, None), (249, None)], modulus=256) == (0, 1)


def test_an_event_stamped_before_the_line_sent_ahead_of_it_is_no_restart() -> None:
    numbering = Numbering(65536, 4294.967296)
    for number, clock_s in [(10, 18.293), (11, 18.301), (12, 18.300), (13, 18.309)]:
        numbering.follow(number, clock_s)
    assert (numbering.lost, numbering.restarts) == (0, 0)
