"""A page as it is drawn and as it is said: sizes, bars at places that are worked out here, and lines worth saying."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.cli.keys import _ESCAPED
from hil.cli.watch_lines import LineMode, plain_line
from hil.cli.watch_screen import _scale, drawn, large
from hil.engine.watch_page import Gauge, Page, State

HIGH = Gauge(label="left high", unit="deg", value=180.0, high=360.0, band=(144.0, 216.0), peak=(170.0, 190.0))
WORDY = replace(HIGH, label="right high", also="a long remark that would take all the room of a bar " * 2)
LIGHTS = tuple(
    Gauge(label=f"{side} {one}", is_light=True, light=one == "A") for side in ("left", "right") for one in "AB"
)
PAGE = Page(
    title="Encoders", gauges=(*LIGHTS, HIGH, WORDY), verdict="left: Good. Turn 8.4 turns more.", state=State.GOOD
)


@pytest.mark.parametrize("size", [(20, 5), (40, 8), (80, 24), (120, 40), (300, 80), (1, 1)])
def test_a_page_fits_any_window_and_keeps_its_verdict(size: tuple[int, int]) -> None:
    width, height = size
    rows = drawn(PAGE, width, height).plain.split("\n")
    assert len(rows) <= height
    assert all(len(row) <= width for row in rows)
    if height >= 5:
        assert any(row.startswith(" OK") for row in rows)


def test_a_bar_keeps_its_room_in_a_terminal_of_eighty_cells() -> None:
    rows = drawn(PAGE, 80, 24).plain.split("\n")
    bars = [row for row in rows if "high" in row and "[" in row]
    assert len(bars) == 2
    assert all(row.index("]") - row.index("[") - 1 >= 11 for row in bars)
    assert len({row.index("]") for row in bars}) == 1


def test_a_bar_is_filled_to_its_value_and_shows_band_and_peaks() -> None:
    # Eleven cells for 0 to 10: a cell is one.
    bar = _scale(Gauge(label="x", value=6.0, high=10.0, band=(5.0, 8.0), peak=(2.0, 9.0)), 11)
    assert bar == "██|██▓▓--| "
    assert _scale(Gauge(label="x", value=-6.0, low=-10.0, high=10.0), 11) == "  ████     "
    assert _scale(Gauge(label="x", value=99.0, high=10.0), 11) == "█" * 11


@pytest.mark.parametrize("times", [1, 2])
def test_large_numbers_are_five_rows_of_equal_width_times_their_size(times: int) -> None:
    rows = large("-180.25", times)
    assert len(rows) == 5 * times
    assert len({len(row) for row in rows}) == 1
    assert set("".join(rows)) == {"█", " "}


def test_a_colour_is_never_all_that_tells_good_from_bad() -> None:
    for state, sign in ((State.GOOD, "OK"), (State.BAD, "!!"), (State.UNKNOWN, "..")):
        assert f" {sign}  left: Good" in drawn(replace(PAGE, state=state), 80, 24).plain


def test_good_and_bad_can_be_told_from_afar_without_a_colour() -> None:
    def right_of(state: State) -> str:
        rows = drawn(replace(PAGE, state=state), 80, 24).plain.split("\n")
        return "\n".join(row[60:] for row in rows if "█" in row and "[" not in row)

    assert "█   █" in right_of(State.GOOD)  # the K of OK begins so
    assert "██ ██" in right_of(State.BAD)
    assert "█" not in right_of(State.UNKNOWN)


def test_a_number_of_a_moment_ago_has_no_colour_of_its_own() -> None:
    def styles(page: Page) -> set[str]:
        text = drawn(page, 80, 24)
        return {
            str(span.style)
            for span in text.spans
            if text.plain[span.start : span.end].startswith("  ") and "█" in text.plain[span.start : span.end]
        }

    assert "bold green" in styles(PAGE)
    assert "bold green" not in styles(replace(PAGE, state=State.BAD, is_old=True))


def test_remarks_are_left_out_whole() -> None:
    noisy = Gauge(
        label="left", unit="count", value=444.0, high=1023.0, peak=(-10.0, 1023.0), also="dark 444, noise 10.8 %"
    )
    row = next(
        row for row in drawn(Page(title="Walls", gauges=(noisy,), verdict="v"), 80, 24).plain.split("\n") if "[" in row
    )
    assert row.endswith("dark 444")
    assert drawn(Page(title="Walls", gauges=(noisy,), verdict="v"), 100, 24).plain.count("noise 10.8 %") == 1


def test_a_line_is_not_said_again_because_a_port_is_away_a_second_longer() -> None:
    mode, said = LineMode(), 0
    for quarter in range(16):  # four seconds, less than after which all is said again
        page = replace(PAGE, state=State.BAD, verdict=f"nothing has come for {1 + quarter / 4:.1f} s: is the robot on?")
        said += bool(mode.line(page, quarter / 4))
    assert said == 1


def test_a_line_is_said_when_verdict_state_or_a_number_changes_and_after_five_seconds_in_any_case() -> None:
    mode = LineMode()
    assert mode.line(PAGE, 0.0) == plain_line(PAGE)
    assert mode.line(PAGE, 4.9) == ""
    assert mode.line(PAGE, 5.1)
    assert mode.line(replace(PAGE, state=State.BAD), 5.2).startswith("not good: left")
    assert mode.line(replace(PAGE, state=State.BAD, verdict="left: High lasts longer."), 5.3)
    near = replace(PAGE, gauges=(replace(HIGH, value=183.0),))  # less than a twentieth of 360
    far = replace(PAGE, gauges=(replace(HIGH, value=210.0),))
    assert mode.line(near, 5.4)  # the verdict is the first one again
    assert mode.line(replace(near, gauges=(HIGH,)), 5.5) == ""
    assert mode.line(far, 5.6)


@pytest.mark.parametrize(
    ("typed", "left"),
    [
        ("\x1b[A", ""),  # up, as terminals send it (ECMA-48 control sequence)
        ("\x1b[Ah", "h"),  # and a key right after it
        ("r\x1bOPn", "rn"),  # F1
        ("\x1b[1;5Cd", "d"),  # Ctrl-right
        ("\x1bh", ""),  # Alt-h
        ("h", "h"),
    ],
)
def test_keys_that_come_with_arrows_and_function_keys_are_not_lost_or_made_up(typed: str, left: str) -> None:
    assert _ESCAPED.sub("", typed) == left
