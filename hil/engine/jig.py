"""A board put before a sensor at one distance after the other, each read as a part of the case.

Each block of readings is looked at while the person still stands there (`hil.measure.jig_check`): one that cannot be
what it is said to be is told with what was expected, and read again. What was read first is set aside; the trace keeps
it. A doubt that comes again about the same distance is kept with a note, since the bench may be so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from hil.engine.bench import Bench
from hil.engine.parts import Parts, number_as_json
from hil.engine.taking import out_of_the_way
from hil.measure.jig_check import Doubt, Trouble, check_block, check_set
from hil.measure.model import CellPose
from hil.measure.series import Speech, evidence_from
from hil.measure.wall_blocks import SAME_DISTANCE_MM, Block, blocks_of
from hil.plan.reporting import reporting_of
from hil.spec.bench_values import Jig
from hil.spec.suite_values import Case

_BEFORE_S = 2.0  # of the records before a block, by which its dark level is known where that is told seldom
_LEAST_READINGS = 40  # of each distance, for a robot that prints a few lines a second
_MOST_AGAIN = 3  # times that one distance is read again


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Read:
    """A block that was read, and the number of its part."""

    block: Block
    part: int
    repeat: int
    asked_mm: float


@dataclass(slots=True)
class JigReader:
    """Reads the jigs of one case."""

    bench: Bench
    case: Case
    parts: Parts
    notes: list[str]
    _read: list[_Read] = field(default_factory=list)
    _doubted: list[tuple[_Read, str]] = field(default_factory=list)  # to be read again, and why
    _kept: list[tuple[_Read, Doubt]] = field(default_factory=list)  # of the set that is being read
    _is_never_clear: bool = False  # a reading without a board that is kept, though as great as with one

    def carry_out(self, step: Jig, pose: CellPose) -> None:
        """Go through the sensors and distances of a step."""
        self.bench.line.plug_in()
        surface = step.surface or self.parts.surface
        for sensor in step.sensors:
            first = len(self._read)
            self._is_never_clear = False
            try:
                for distance_mm in step.distances_mm:
                    self._at(step, sensor, surface, distance_mm, pose, first)
                self._look_at_all(step, sensor, surface, pose, first)
            finally:
                self._tell_kept(first)

    def _at(self, step: Jig, sensor: str, surface: str, asked_mm: float, pose: CellPose, first: int) -> None:
        """Read one distance until nothing is doubtful about it, or the same is again."""
        remark, doubted = "", set[tuple[str, float]]()
        waiting = [asked_mm]
        tries = 0
        while waiting:
            distance_mm = waiting.pop(0)
            self._doubt(sensor, distance_mm, first, remark)
            read = self._once(step, sensor, surface, distance_mm, remark, pose)
            if read is None:
                continue
            self._set_aside(read)
            doubts = check_block(read.block, self._comparable(first, read), self.bench.robot.adc_full_scale)
            self._read.append(read)
            remark = ""
            for doubt in doubts:
                key = (doubt.trouble.value, doubt.of_mm)
                tries += 1
                is_settled = self._is_never_clear and doubt.trouble is Trouble.BOARD_LEFT
                if doubt.trouble.is_of_robot or is_settled or key in doubted or tries > _MOST_AGAIN:
                    self._is_never_clear |= doubt.trouble is Trouble.BOARD_LEFT
                    self._kept.append((read, doubt))
                    continue
                doubted.add(key)
                remark = doubt.sentence
                waiting.append(self._asked_for(sensor, doubt.of_mm, first, distance_mm))

    def _look_at_all(self, step: Jig, sensor: str, surface: str, pose: CellPose, first: int) -> None:
        """Look at all distances of a sensor together, beside what was read before; again where some were read again."""
        for _ in range(_MOST_AGAIN):
            own = [one for one in self._read[first:] if one.block.sensor == sensor]
            earlier = [one.block for one in self._earlier(first, own[0])] if own else []
            doubts = check_set([one.block for one in own], earlier, self.bench.robot.adc_full_scale)
            unkept = next((doubt for doubt in doubts if not self._keeps(sensor, doubt)), None)
            if unkept is None:
                return
            # A doubt about one distance is of that alone, one about the surface of all of them.
            is_of_one = unkept.trouble is Trouble.OFF_CURVE
            again = [one for one in own if not is_of_one or _alike(one.block.distance_mm, unkept.of_mm)]
            for one in again:  # all of them first, so that none is held against what is doubted
                self._doubt(sensor, one.asked_mm, first, unkept.sentence)
            for one in again:
                self._at(step, sensor, surface, one.asked_mm, pose, first)

    def _keeps(self, sensor: str, doubt: Doubt) -> bool:
        """Ask whether what is doubtful is kept, and keep the answer."""
        is_kept = self.bench.operator.keeps(doubt.sentence)
        self.bench.recorder.note("doubt", sensor, {"said": doubt.sentence, "kept": is_kept})
        if is_kept:
            self._keep(doubt)
        return is_kept

    def _once(self, step: Jig, sensor: str, surface: str, asked_mm: float, remark: str, pose: CellPose) -> _Read | None:
        """Have the board set and read it once; None where nothing of the sensor came."""
        bench = self.bench
        recorder = bench.recorder
        recorder.begin("jig", sensor, {"distance_mm": number_as_json(asked_mm), "remark": remark})
        stated_mm = bench.operator.set_jig(sensor, surface, asked_mm, step.angle_rad, remark)
        recorder.end("jig", sensor, {"distance_mm": number_as_json(stated_mm)})
        out_of_the_way(bench.line)
        here = len(recorder.records)
        labels = {"surface": surface, "sensor": sensor}
        conditions = {"distance_mm": stated_mm, "angle_rad": step.angle_rad}
        self.parts.jig_labels, self.parts.jig_conditions = labels, conditions
        with self.parts.part(step.name, pose, labels=labels, conditions=conditions) as part:
            bench.line.pause(self._long_enough(step))
        block = self._block(sensor, here)
        if block is None:
            empty = f"Nothing of {sensor} came while '{step.name}' was read at {_place(stated_mm)}."
            if empty not in self.notes:
                self.notes.append(empty)
            return None
        return _Read(block=block, part=part, repeat=self.parts.repeat, asked_mm=asked_mm)

    def _long_enough(self, step: Jig) -> float:
        """Return how long a board is read [s]: as the suite says, but no shorter than a few readings take to come."""
        program = self.bench.line.program
        if program is None:
            return step.duration_s
        return max(step.duration_s, _LEAST_READINGS * reporting_of(program, self.bench.line.dialect).period_s)

    def _block(self, sensor: str, here: int) -> Block | None:
        """Decode the part that was just read, with a moment before it."""
        bench = self.bench
        records = bench.recorder.records
        since_ns = records[here].t_ns - int(_BEFORE_S * 1e9)
        first = here
        while first > 0 and records[first - 1].t_ns >= since_ns:
            first -= 1
        speech = {name: Speech(dialect=one, program=program) for name, (one, program) in bench.line.speech.items()}
        evidence = evidence_from(
            records[first:], speech, bench.robot, self.case.course, self.case.name, host_is_real=bench.host_is_real
        )
        sensors = [one.channel for one in bench.robot.sensors]
        drive = evidence.drives[-1]
        return next((one for one in blocks_of(drive, sensors) if one.sensor == sensor), None)

    def _earlier(self, first: int, read: _Read) -> list[_Read]:
        """Return what was read before this set under the same light and in the same repeat, or on other surfaces."""
        return [
            one
            for one in self._read[:first]
            if one.block.lamps == read.block.lamps
            and (one.repeat == read.repeat or one.block.surface != read.block.surface)
        ]

    def _comparable(self, first: int, read: _Read) -> list[Block]:
        """Return the earlier blocks that a block is held against: those of its own set."""
        return [one.block for one in self._read[first:] if one.block.sensor == read.block.sensor]

    def _asked_for(self, sensor: str, of_mm: float, first: int, now_mm: float) -> float:
        """Return the distance that was asked for where a block is said to be of `of_mm`."""
        found = [
            one.asked_mm
            for one in self._read[first:]
            if one.block.sensor == sensor and _alike(one.block.distance_mm, of_mm)
        ]
        return found[-1] if found else now_mm

    def _doubt(self, sensor: str, asked_mm: float, first: int, why: str) -> None:
        """Hold nothing against what was read of this distance before; it counts until it is read again."""
        for one in [one for one in self._read[first:] if one.block.sensor == sensor and one.asked_mm == asked_mm]:
            self._read.remove(one)
            self._doubted.append((one, why))

    def _set_aside(self, read: _Read) -> None:
        """Set aside what was doubted of the distance that was just read again."""
        for one, why in list(self._doubted):
            if (one.block.sensor, one.asked_mm) == (read.block.sensor, read.asked_mm):
                self._doubted.remove((one, why))
                self.parts.set_aside(one.block.name, one.part, why)

    def _tell_kept(self, first: int) -> None:
        """Note what was kept though doubtful, unless the others, some of them read again since, now bear it out."""
        kept, self._kept = self._kept, []
        for read, doubt in kept:
            others = [one for one in self._comparable(first, read) if one is not read.block]
            if read in self._read and check_block(read.block, others, self.bench.robot.adc_full_scale):
                self._keep(doubt)

    def _keep(self, doubt: Doubt) -> None:
        note = f"Kept, though doubtful: {doubt.sentence}"
        if note not in self.notes:
            self.notes.append(note)


def _alike(one_mm: float, other_mm: float) -> bool:
    return one_mm == other_mm or abs(one_mm - other_mm) <= SAME_DISTANCE_MM


def _place(distance_mm: float) -> str:
    return f"{distance_mm:g} mm" if math.isfinite(distance_mm) else "no board"
