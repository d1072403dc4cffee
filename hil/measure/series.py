"""From the records of a trace to evidence: what measurements may use of one case.

Bytes are decoded by a host's link, program by program, in the order they came: the ports of one program are one line
that went and came back. Noise costs the lines it hit and nothing else, and a port that goes away the line it was in. A
drive is what lies between its begin mark and its end mark; one that was cut off is kept with what came of it, since it
is for the methods to say that it does not carry their measurement. Drives that nobody listened to get their rows from
the log that the robot kept (`hil.measure.board_log`).

A robot that tells no time of its own is dated by the host: each line by when its last byte was handed over, or would
have been at the port's speed, where several came at once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from hil.measure.board_log import LOG, BoardLog, LoggedDrive, unheard
from hil.measure.evidence import DARK, Answer, Drive, Event, Evidence, HostTime
from hil.measure.model import Course, Robot
from hil.measure.open_drive import OpenDrive, number_of
from hil.measure.program_line import ProgramLine, new_line
from hil.measure.readings import FRONT, REAR, with_derived
from hil.measure.taken_rows import RECORDINGS, dated_rows
from hil.measure.trace import AnswerGiven, Chunk, Direction, Mark, MarkKind, TraceRecord
from hil.measure.values import CannotMeasureError
from hil.quantities import counted
from hil.wire.dialect import Dialect
from hil.wire.received import BlockBegun, BlockEnded, Happened, Telemetry

_DRIVE = "drive"
_PLACE = "place"
_PORT = "port"
_UNSEEN = "not seen"
_COLLECT = "collect"
LIVE_ENDED = "live ended"  # the note after which only recordings are of the part that is open
SET_ASIDE = "set aside"  # the note that leaves a part of a case out of what is measured
_AWAY = ("closed", "lost", "gone for good")


def evidence_from(
    records: Iterable[TraceRecord],
    speech: Dialect | Mapping[str, Speech],
    robot: Robot,
    course: Course,
    case: str = "",
    *,
    host_is_real: bool = True,
) -> Evidence:
    """Return the drives and answers of `case` (of all cases where it is "") found in `records`.

    `speech` says what is spoken on the ports, by their names, or one dialect for all of them. `host_is_real` is false
    for a virtual robot that drove faster than the host's clock.
    """
    reading = _Reading(speech, host_is_real=host_is_real)
    for record in records:
        if isinstance(record, Chunk):
            reading.take_bytes(record)
        elif isinstance(record, Mark):
            reading.take_mark(record)
        else:
            reading.take_answer(record)
    drives = [
        (index, drive)
        for index, drive in enumerate(reading.finished())
        if case in ("", drive.case) and not reading.is_set_aside(index)
    ]
    place = {index: number for number, (index, _) in enumerate(drives)}
    answers = [
        replace(answer, index=place.get(answer.index, -1)) for answer in reading.answers if case in ("", answer.case)
    ]
    try:
        derived = with_derived(answers)
    except CannotMeasureError as error:
        derived = tuple(answers)
        reading.notes.append(f"{str(error)[:1].upper()}{str(error)[1:]}.")
    return Evidence(
        robot=robot,
        course=course,
        drives=tuple(drive for _, drive in drives),
        answers=derived,
        host_time=reading.host_time(),
        notes=tuple(dict.fromkeys(reading.notes)),
        unseen=tuple(dict.fromkeys(name for name, of in reading.unseen if case in ("", of))),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Speech:
    """What is spoken on a port: a dialect, and the program that speaks it ("": the port alone is known)."""

    dialect: Dialect
    program: str = ""


class _Reading:
    """What is known while the records go by."""

    def __init__(self, speech: Dialect | Mapping[str, Speech], *, host_is_real: bool) -> None:
        self._speech = speech
        self._host_is_real = host_is_real
        self._lines: dict[str, ProgramLine] = {}
        self._open: OpenDrive | None = None
        self._placed = False
        self._last_dark: dict[str, float] = {}
        self._first_dark: dict[str, float] = {}
        self._done: list[tuple[OpenDrive, int, int]] = []  # with the lines lost and spoilt meanwhile
        self._first_uncollected = 0
        self._log = BoardLog()
        self._collecting: list[int] = []  # the drives that a log may still tell of
        self._aside: set[tuple[str, int]] = set()  # case and number of what was taken again
        self.answers: list[Answer] = []
        self.notes: list[str] = []
        self.unseen: list[tuple[str, str]] = []  # names of readings that could not be taken, and their cases

    def take_bytes(self, chunk: Chunk) -> None:
        line = self._line_of(chunk.port)
        if line is None:
            return
        if chunk.direction == Direction.OUT:
            line.link.overhear(chunk.data)  # so that what a console echoes is not taken for noise
            return
        host_s = chunk.t_ns / 1e9
        if line.dialect.clock_field:
            self._take(line, chunk.data, host_s)
            return
        # Several lines handed over at once did not come at once: each was done when its last byte was.
        byte_s = line.dialect.port.bits_per_byte / line.dialect.port.baud
        left = len(chunk.data)
        for piece in chunk.data.splitlines(keepends=True):
            left -= len(piece)
            self._take(line, piece, host_s - left * byte_s)

    def _line_of(self, port: str) -> ProgramLine | None:
        if isinstance(self._speech, Dialect):
            known, key = self._speech, f"port {port}"
        else:
            speech = self._speech.get(port)
            if speech is None:
                return None  # a port of no robot
            known, key = speech.dialect, f"program {speech.program}" if speech.program else f"port {port}"
        return self._lines.get(key) or self._lines.setdefault(key, new_line(known))

    def _take(self, line: ProgramLine, data: bytes, host_s: float) -> None:
        for item in line.link.receive(data):
            restarts = line.link.counters.restarts
            if restarts != line.restarts:
                line.restarts = restarts
                line.clock.restarted(host_s)
            if isinstance(item, BlockBegun) and item.block == LOG:
                self._log.begin(line.clock.modulus)
            elif isinstance(item, BlockEnded) and item.block == LOG:
                self._give_out(line, item)
            elif isinstance(item, BlockBegun | BlockEnded):
                self._record(item)
            elif isinstance(item, Telemetry | Happened):
                self._told(line, item, host_s)

    def _told(self, line: ProgramLine, item: Telemetry | Happened, host_s: float) -> None:
        raw = item.values.get(line.dialect.clock_field)
        number = float(raw) if isinstance(raw, int | float) else None
        if item.block == LOG:
            self._log.add(item, number, host_s, line.dialect.clock_field)
            return
        if item.block:
            if self._open is not None and item.block in RECORDINGS and isinstance(item, Telemetry):
                self._open.line = self._open.line or line
                values = item.values
                self._open.recordings.add(line.dialect, item.block, item.message, values, line.clock, host_s)
            return
        time_s = math.nan if number is None else line.clock.follow(number, host_s)
        host_s = line.stamp(host_s)
        line.heard = line.heard if number is None else number
        self._see_dark(item)
        if self._open is None or self._open.is_over:
            return
        self._open.line = line
        if number is not None:
            self._open.heard = (self._open.heard[0] if self._open.heard else number, number)
        if isinstance(item, Happened):
            self._open.events.append(Event(name=item.event, time_s=time_s, host_s=host_s, detail=item.detail))
        else:
            for row, at_s in dated_rows(line.dialect, item.message, item.values, time_s, host_s):
                self._open.add(item.message, row, at_s)

    def _record(self, item: BlockBegun | BlockEnded) -> None:
        """Follow the recordings that arrive in a part of a case."""
        if self._open is None or item.block not in RECORDINGS:
            return
        if isinstance(item, BlockBegun):
            self._open.recordings.begin(item.block)
        else:
            self._open.recordings.end(item.block, item.reason)

    def _see_dark(self, item: Telemetry | Happened) -> None:
        dark = {
            name: float(value)
            for name, value in item.values.items()
            if name.endswith(DARK) and isinstance(value, int | float)
        }
        self._last_dark.update(dark)
        self._first_dark = dark | self._first_dark

    def _give_out(self, line: ProgramLine, ended: BlockEnded) -> None:
        """Give the parts of a log to the drives that had nobody listening."""
        silent = [at for at in self._collecting if at < len(self._done)]
        parts = self._parts(line, silent)
        if len(parts) != len(silent):
            were = "was" if len(silent) == 1 else "were"
            self.notes.append(
                f"The robot's log tells of {counted(len(parts), 'drive')}, and {len(silent)} {were} driven without a "
                "cable, so that none of them could be told from another."
            )
            return
        if ended.reason:
            self.notes.append(f"The robot's log is not whole: {ended.reason}.")
        for at, part in zip(silent, parts, strict=True):
            drive, lost, bad = self._done[at]
            drive.line, drive.rows, drive.host_s, drive.events = line, part.rows, part.host_s, part.events
            self._done[at] = (drive, lost, bad)

    def _parts(self, line: ProgramLine, silent: list[int]) -> list[LoggedDrive]:
        """Return the drives of the log; where it has more than were driven in silence, those that nobody heard."""
        parts = self._log.parts()
        if len(parts) <= len(silent) or not silent:
            return parts
        before = dict(self._done[silent[0]][0].heard_before).get(line)
        heard = [drive.heard for drive, _, _ in self._done[silent[0] :] if drive.heard is not None]
        fresh = unheard(parts, before, heard, line.clock.modulus)
        return fresh if len(fresh) == len(silent) else parts

    def take_mark(self, mark: Mark) -> None:
        if mark.step == _PLACE:
            self._placed = True
        elif mark.step == _UNSEEN:
            self._take_unseen(mark)
        elif mark.step == _PORT and mark.fields.get("what") in _AWAY:
            self._port_went(mark)
        elif mark.step == _COLLECT and mark.name in ("", LOG):
            self._collect(mark)
        elif mark.step == LIVE_ENDED and self._open is not None:
            self._open.is_over = True
        elif mark.step == SET_ASIDE:
            self._aside.add(number_of(mark))
        if mark.step != _DRIVE or mark.kind == MarkKind.NOTE:
            return
        self._close()
        if mark.kind == MarkKind.BEGIN:
            lost, bad = self._losses()
            self._open = OpenDrive(
                mark=mark,
                placed=self._placed,
                lost_before=lost,
                bad_before=bad,
                known=dict(self._last_dark),
                heard_before=tuple((line, line.heard) for line in self._lines.values()),
            )
            self._placed = False

    def _port_went(self, mark: Mark) -> None:
        """Drop the half of a line that will never be finished."""
        program = mark.fields.get("program")
        for key in (f"program {program}", f"port {mark.name}"):
            if key in self._lines:
                self._lines[key].link.forget_line()
                self._lines[key].link.end_block("the port was closed")

    def _collect(self, mark: Mark) -> None:
        if mark.kind == MarkKind.BEGIN and mark.fields.get("try", 1) == 1:
            self._close()
            self._collecting = [
                at
                for at in range(self._first_uncollected, len(self._done))
                if not self._done[at][0].rows and self._done[at][0].mark.fields.get("path")
            ]
        elif mark.kind == MarkKind.END:
            self._first_uncollected = len(self._done)

    def take_answer(self, given: AnswerGiven) -> None:
        count = len(self._done) + (self._open is not None)
        answer = Answer(
            name=given.name,
            value=given.value,
            unit=given.unit,
            u=given.u,
            case=given.case,
            repeat=given.repeat,
            index=count - 1,
            source=given.source,
            placed=self._placed,
            how=given.how,
        )
        if given.corrects:
            at = self._latest(given.name, given.case, given.repeat)
            if at is not None:
                before = self.answers[at]
                self.answers[at] = replace(answer, index=before.index, placed=before.placed)
                return
            self.unseen = [one for one in self.unseen if one != (given.name, given.case)]
        self.answers.append(answer)

    def _latest(self, name: str, case: str, repeat: object) -> int | None:
        """Return the place of the latest answer of a name in a case and repeat."""
        wanted = (name, case, repeat)
        places = range(len(self.answers) - 1, -1, -1)
        return next(
            (at for at in places if (self.answers[at].name, self.answers[at].case, self.answers[at].repeat) == wanted),
            None,
        )

    def _take_unseen(self, mark: Mark) -> None:
        """Keep that something could not be seen; as a correction it takes away what was read before."""
        case, repeat = str(mark.fields.get("case", "")), mark.fields.get("repeat")
        self.unseen.append((mark.name, case))
        if not mark.fields.get("corrects"):
            return
        for name in (mark.name, *(f"{mark.name}.{part}" for part in (FRONT, REAR))):
            at = self._latest(name, case, repeat)
            if at is not None:
                del self.answers[at]

    def is_set_aside(self, index: int) -> bool:
        """Tell whether a drive was taken again, so that this time of it does not count."""
        return number_of(self._done[index][0].mark) in self._aside

    def finished(self) -> tuple[Drive, ...]:
        self._close()
        return tuple(
            replace(
                opened.finished(host_is_real=self._host_is_real),
                known={**self._first_dark, **opened.known},
                lost=lost,
                bad=bad,
            )
            for opened, lost, bad in self._done
        )

    def host_time(self) -> HostTime:
        """Return what the host's times are worth: those of the line that tells no time of its own, if there is one."""
        silent = [line.dialect.host_clock for line in self._lines.values() if not line.dialect.clock_field]
        if not silent:
            return HostTime(is_real=self._host_is_real)
        worst = max(silent, key=lambda one: one.latency_s)
        periods = [
            message.period_s
            for line in self._lines.values()
            for message in line.dialect.messages
            if message.period_s and not line.dialect.clock_field
        ]
        return HostTime(
            is_real=self._host_is_real,
            u_s=worst.latency_s / 12**0.5,
            adapter=worst.adapter,
            line_s=min(periods, default=0.0),
        )

    def _losses(self) -> tuple[int, int]:
        counters = [line.link.counters for line in self._lines.values()]
        return sum(one.lost for one in counters), sum(one.bad_total for one in counters)

    def _close(self) -> None:
        if self._open is None:
            return
        opened, self._open = self._open, None
        lost, bad = self._losses()
        named = opened.mark.name
        for said in opened.recordings.give_to(opened.rows, opened.host_s):
            self.notes.append(f"Of '{named}' the recording is not whole: {said}.")
        self._done.append((opened, lost - opened.lost_before, bad - opened.bad_before))
