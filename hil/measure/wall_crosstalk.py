"""Crosstalk: what an emitter throws into the detectors of other sensors.

One emitter alone is lit and all detectors are read: X_ij is the reading of detector j by emitter i. It is told as a
share of a wall's reading at the set distance, since that is what it is mistaken for: of detector j's own
(`against: detector`), by which it moves the distance, dd = -(d + d0) X/(2 S), or of emitter i's (`against: emitter`).
In open space it is the direct crosstalk, within the robot; before a wall there is light by that wall in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from hil.measure.evidence import Evidence
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.values import CannotMeasureError, Measurement
from hil.measure.wall_blocks import Block, all_blocks, jig_blocks, set_distance_mm
from hil.measure.wall_fits import Level, curve_level, set_levels
from hil.measure.wall_levels import AT, PRACTICE, worst

_LEAST_WALL = 10.0  # counts; less is no wall that something could be a share of
_SURE = 5.0  # standard uncertainties that a wall must read


@dataclass(frozen=True, slots=True, kw_only=True)
class Crosstalk:
    """What emitter `emitter` alone puts into the detector of `sensor` [count], and as a share of a wall's reading."""

    emitter: str
    sensor: str
    value: float
    u: float
    n: int
    share: float
    u_share: float

    @property
    def title(self) -> str:
        """The pair in words."""
        return f"{self.emitter} into {self.sensor}"


def crosstalk_matrix(evidence: Evidence, parameters: Parameters) -> tuple[list[Crosstalk], list[str]]:
    """Return every pair of emitter and detector that was read, and sentences on what its shares are of."""
    wanted = parameters.word("emitter", ""), parameters.word("sensor", "")
    lone = [block for block in all_blocks(evidence, parameters) if block.emitter]
    pairs = [block for block in lone if block.sensor != block.emitter]
    pairs = [block for block in pairs if wanted[0] in ("", block.emitter) and wanted[1] in ("", block.sensor)]
    if not pairs:
        raise CannotMeasureError(
            "no segment was read with one emitter alone; the robot must be able to light them one by one"
        )
    against_emitter = parameters.word("against", "detector") == "emitter"
    references, notes = _references(evidence, parameters, lone)
    found = []
    for block in pairs:
        level = references.get(block.emitter if against_emitter else block.sensor)
        if level is None:
            continue
        share = block.reading / level.value
        u_share = math.hypot(block.u_count / level.value, share * level.u / level.value)
        found.append(
            Crosstalk(
                emitter=block.emitter, sensor=block.sensor, value=block.reading, u=block.u_count,
                n=int(block.lit.size), share=share, u_share=u_share,
            )
        )  # fmt: skip
    if not found:
        raise CannotMeasureError(
            "no sensor's reading of a wall at its set distance is known, so that crosstalk cannot be told as a share "
            "of it; read a board in the jig, or calibrate the sensors first"
        )
    return found, notes


def _references(
    evidence: Evidence, parameters: Parameters, lone: Sequence[Block]
) -> tuple[Mapping[str, Level], list[str]]:
    """Return what each sensor reads of a wall: by the jig, else its calibration, else its own emitter before a wall.

    Over several surfaces it is the brightest, on which the set-up was made.
    """
    levels = _by_jig(evidence, parameters)
    by_jig = sorted(levels)
    for sensor, calibration in evidence.robot.calibrations.items():
        if sensor not in levels:
            try:
                levels[sensor] = curve_level(calibration, set_distance_mm(evidence, parameters, sensor))
            except CannotMeasureError:
                continue
    for block in lone:
        if block.sensor == block.emitter and block.sensor not in levels and math.isfinite(block.distance_mm):
            levels[block.sensor] = Level(
                sensor=block.sensor, surface=block.surface, at_mm=block.distance_mm, value=block.reading,
                u=block.u_count, n=int(block.lit.size),
            )  # fmt: skip
    told = [
        f"{sensor} {level.value:.0f} at {level.at_mm:g} mm{'' if sensor in by_jig else ' by its calibration'}"
        for sensor, level in levels.items()
    ]
    return levels, [f"A wall reads: {'; '.join(told)}."] if told else []


def _by_jig(evidence: Evidence, parameters: Parameters) -> dict[str, Level]:
    """Return what the jig's boards send back at the set distance, less what a sensor reads without one.

    The segments asked of are those of lone emitters; boards are looked for in all of them.
    """
    try:
        found = set_levels(evidence, Parameters(numbers=parameters.numbers))
        empty = {
            block.sensor: block
            for block in jig_blocks(evidence, Parameters(), boards=False)
            if not math.isfinite(block.distance_mm)
        }
    except CannotMeasureError:
        return {}
    levels: dict[str, Level] = {}
    for level in found:
        stray = empty.get(level.sensor)
        away = level if stray is None else replace(
            level, value=level.value - stray.reading, u=math.hypot(level.u, stray.u_count)
        )  # fmt: skip
        before = levels[level.sensor].value if level.sensor in levels else _LEAST_WALL
        if away.value > max(before, _SURE * away.u):
            levels[level.sensor] = away
    return levels


def _crosstalk(evidence: Evidence, parameters: Parameters) -> Measurement:
    pairs, notes = crosstalk_matrix(evidence, parameters)
    found = [
        (pair.title, Measurement(
            value=100 * pair.share, unit="%", u=100 * pair.u_share, n=pair.n,
            notes=(f"{pair.value:.1f} counts.",),
        ))
        for pair in pairs
    ]  # fmt: skip
    return worst(found, notes)


METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="walls.crosstalk", unit="%", run=_crosstalk, needs=(), source=f"share of a wall's reading; {PRACTICE}",
        parameters=(
            ParameterSpec(name="emitter", meaning="emitter; none: each", default="", is_word=True),
            ParameterSpec(name="sensor", meaning="detector; none: each", default="", is_word=True),
            ParameterSpec(
                name="against", meaning="whose reading of a wall it is a share of", default="detector", is_word=True,
                choices=("detector", "emitter"),
            ),
            AT,
        ),
        summary="What one emitter puts into another sensor, as a share of a wall's reading; the largest pair.",
    ),
)  # fmt: skip
