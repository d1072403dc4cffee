"""Messages of many lines: header, rows, end, and what becomes of them when lines are lost."""

from __future__ import annotations

import runpy
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from hil.errors import WireError
from hil.wire.dialect import BlockSpec, Dialect
from hil.wire.fields import Value
from hil.wire.link import End, Link
from hil.wire.received import BlockBegun, BlockEnded, Booted, Happened, Noise, Received, Replied, Telemetry

LETTER_MENU: Dialect = runpy.run_path(str(Path(__file__).parent / "letter_menu.py"))["LETTER_MENU"]
PLAIN = replace(LETTER_MENU, console=None, commands={})
SAMPLE: Mapping[str, Value] = {
    "time": 1.02,
    "encoder.left": 12,
    "encoder.right": 13,
    "wall.left": 612,
    "wall.right": 598,
    "wall.front": 41,
}
COLUMNS = b"t 1000 0 0 612 598 41\r\n"


def with_blocks(*blocks: BlockSpec) -> Dialect:
    return replace(PLAIN, blocks=blocks)


LOG, MAP = PLAIN.blocks
SILENT = with_blocks(replace(LOG, header="log", end="", timeout_s=2.0))


def log_lines() -> list[bytes]:
    robot = Link(PLAIN, End.ROBOT)
    rows = [
        robot.row("log", "kept_event", {"time": 1.0, "event": "move.begin", "detail": "0"}),
        robot.row("log", "kept_sample", SAMPLE),
        robot.row("log", "kept_event", {"time": 1.04, "event": "idle", "detail": ""}),
    ]
    return robot.block("log", rows)


def ends(items: list[Received]) -> list[BlockEnded]:
    return [item for item in items if isinstance(item, BlockEnded)]


def map_lines(count: int, rows: int) -> list[bytes]:
    return [b"map of %d\r\n" % count, *(b"row %d 9,3\r\n" % y for y in range(rows))]


def test_block_comes_back_row_by_row() -> None:
    lines = log_lines()
    assert lines[0] == b"log of 3\r\n"
    assert lines[-1] == b"end of log\r\n"
    host = Link(PLAIN, End.HOST)
    begun, first, second, third, ended = host.receive(b"".join(lines))
    assert begun == BlockBegun(block="log", count=3)
    assert first == Happened(event="move.begin", values={"time": 1.0}, detail="0", block="log")
    assert isinstance(second, Telemetry)
    assert (second.message, second.block, second.values["encoder.right"]) == ("kept_sample", "log", 13)
    assert third == Happened(event="idle", values={"time": 1.04}, block="log")
    assert ended == BlockEnded(block="log", rows=3)
    assert (host.open_block, host.counters.good, host.counters.bad_total) == ("", 5, 0)


def test_rows_stand_for_earlier_moments_only_inside_their_block() -> None:
    host = Link(PLAIN, End.HOST)
    (live,) = host.receive(b"* 1000 straight 0\r\n")
    assert isinstance(live, Happened)
    assert live.block == ""
    assert [type(item) for item in host.receive(b"k 1020 12 12 612 598 41\r\nend of log\r\n")] == [Noise, Noise]


def test_other_lines_between_rows_stay_what_they_are() -> None:
    header, *rest = log_lines()
    items = Link(PLAIN, End.HOST).receive(header + COLUMNS + b"ok\r\n" + b"".join(rest))
    assert isinstance(items[1], Telemetry)
    assert items[1].block == ""
    assert ends(items) == [BlockEnded(block="log", rows=3)]


def test_row_that_was_lost_is_missed_by_the_count() -> None:
    header, _, *rest = log_lines()
    (ended,) = ends(Link(PLAIN, End.HOST).receive(header + b"".join(rest)))
    assert ended == BlockEnded(block="log", rows=2, reason="2 of 3 rows came")


@pytest.mark.parametrize("spoilt", [b"k 1020 12 12 612 598 4i\r\n", b"k" * 300 + b"\r\n", b"\xff\xfe\xfd\r\n"])
def test_row_that_was_spoilt_is_noise_and_missed(spoilt: bytes) -> None:
    header, first, _, third, end = log_lines()
    items = Link(PLAIN, End.HOST).receive(header + first + spoilt + third + end)
    assert len([item for item in items if isinstance(item, Noise)]) == 1
    assert ends(items) == [BlockEnded(block="log", rows=2, reason="2 of 3 rows came")]


def test_block_with_a_count_ends_by_it() -> None:
    assert ends(Link(PLAIN, End.HOST).receive(b"".join(map_lines(2, 2)))) == [BlockEnded(block="map", rows=2)]
    items = Link(PLAIN, End.HOST).receive(map_lines(2, 1)[0] + b"row 1 9,x\r\nrow 0 3\r\nrow 0 4\r\n")
    assert ends(items) == [BlockEnded(block="map", rows=1, reason="1 of 2 rows came")]
    assert Link(PLAIN, End.HOST).receive(b"map of 0\r\n") == [
        BlockBegun(block="map", count=0),
        BlockEnded(block="map", rows=0),
    ]


def test_overlong_row_is_missed_in_a_block_that_ends_by_its_count() -> None:
    items = Link(PLAIN, End.HOST).receive(b"map of 2\r\nrow 1 9,3\r\nrow 0 " + b"1," * 100 + b"1\r\n")
    assert ends(items) == [BlockEnded(block="map", rows=1, reason="1 of 2 rows came")]


def test_spoilt_line_counts_where_the_header_says_no_number() -> None:
    host = Link(with_blocks(replace(LOG, header="log")), End.HOST)
    items = host.receive(b"log\r\nk 1\r\nend of log\r\n")
    assert ends(items) == [BlockEnded(block="log", rows=0, reason="1 of its lines could not be read")]


def test_second_header_ends_the_block_before_it_as_cut_short() -> None:
    items = Link(PLAIN, End.HOST).receive(b"log of 3\r\n* 1000 straight\r\nmap of 1\r\nrow 0 1\r\n")
    assert ends(items) == [
        BlockEnded(block="log", rows=1, reason="another block began"),
        BlockEnded(block="map", rows=1),
    ]


def test_silence_ends_a_block_that_has_no_other_end() -> None:
    host = Link(SILENT, End.HOST)
    assert host.receive(b"log\r\n* 1000 straight\r\n", 10.0)[0] == BlockBegun(block="log")
    assert host.next_due_s == pytest.approx(12.0)
    assert host.receive(COLUMNS, 11.9)  # other lines do not keep it open
    assert ends(host.receive(b"* 1040 resting\r\n", 11.95)) == []
    assert host.due_blocks(13.9) == []
    assert host.receive(b"", 13.96) == [BlockEnded(block="log", rows=2)]
    assert host.next_due_s is None


def test_silence_is_counted_from_the_first_look_where_no_times_are_told() -> None:
    host = Link(SILENT, End.HOST)
    host.receive(b"log\r\n")
    assert host.due_blocks(100.0) == []
    host.receive(b"* 1000 straight\r\n")
    assert host.due_blocks(101.9) == []
    assert host.due_blocks(103.8) == []
    assert host.due_blocks(103.9) == [BlockEnded(block="log", rows=1)]


def test_silence_before_a_due_end_cuts_the_block_short() -> None:
    host = Link(PLAIN, End.HOST)
    host.receive(b"log of 3\r\n* 1000 straight\r\n", 0.0)
    assert host.due_blocks(2.0) == [BlockEnded(block="log", rows=1, reason="nothing came for 2 s before its end")]


def test_block_is_cut_short_by_a_reboot_or_by_its_caller() -> None:
    host = Link(PLAIN, End.HOST)
    assert host.receive(b"log of 3\r\nletter menu ready\r\n")[1:] == [
        BlockEnded(block="log", rows=0, reason="the robot started anew"),
        Booted(banner="letter menu ready"),
    ]
    host.receive(b"log of 3\r\n* 10")
    assert host.open_block == "log"
    host.forget_line()
    assert host.kept_bytes == 0
    assert host.end_block("the port was closed") == [BlockEnded(block="log", rows=0, reason="the port was closed")]
    assert host.end_block("the port was closed") == []


def test_answers_are_found_inside_a_block() -> None:
    host = Link(replace(LETTER_MENU, console=None), End.HOST)
    host.start("stop", {}, 0.0)
    (replied,) = (item for item in host.receive(b"log of 3\r\nok\r\n") if isinstance(item, Replied))
    assert replied.action == "stop"


def test_unknown_blocks_and_rows_are_refused() -> None:
    robot = Link(PLAIN, End.ROBOT)
    with pytest.raises(WireError, match="no block message for 'film'"):
        robot.block("film", [])
    with pytest.raises(WireError, match="no row 'columns' of a block 'log'"):
        robot.row("log", "columns", SAMPLE)
    with pytest.raises(WireError, match="no message 'kept_sample'"):
        robot.telemetry("kept_sample", SAMPLE)
