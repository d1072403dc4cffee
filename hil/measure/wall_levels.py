"""What a wall sensor reads before anything is fitted: noise, dark level, saturation, ambient light, which one answers.

A method over several sensors and surfaces returns the worst, with all of them beside it. Noise and dark level are of
single readings. Ambient light is told three ways by the same places read with lamps off and on: how much the reading
changes, how high the dark level is, and how much more lit minus dark scatters. Lamps on the mains flicker at 100 or 120
Hz; lit and dark sampled tau apart differ by up to 2 sin(pi f tau) of the flicker's amplitude, so that the excess of the
scatter, times the root of 2, is the amplitude that is left in the readings (a sine's; derived).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from hil.measure.evidence import Evidence
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.uncertainty import effective_number
from hil.measure.values import CannotMeasureError, Measurement
from hil.measure.wall_blocks import (
    BLOCK_SD_MM,
    SAME_DISTANCE_MM,
    Block,
    all_blocks,
    by_sensor_and_surface,
    jig_blocks,
    set_distance_mm,
)
from hil.measure.wall_fits import nearest_block

SENSOR = ParameterSpec(name="sensor", meaning="wall sensor; none: all of the robot's", default="", is_word=True)
SURFACE = ParameterSpec(name="surface", meaning="surface; none: all that were read", default="", is_word=True)
AT = ParameterSpec(
    name="at", meaning="distance from the wall; 0: as the robot file gives for the sensor", unit="mm", default=0.0
)
BLOCK_SD = ParameterSpec(
    name="block_sd", meaning="standard deviation of a board's place", unit="mm", default=BLOCK_SD_MM
)
PRACTICE = "common practice, no source"
_SURE = 4.0  # standard uncertainties by which a reading must change
_WALL_COUNTS = 20.0  # less is no wall
_FARTHEST_SHARE = 0.3  # of the set distance: noise read farther off than this says nothing of it


def worst(
    found: Sequence[tuple[str, Measurement]],
    notes: Sequence[str] = (),
    *,
    least: bool = False,
    by_size: bool = True,
) -> Measurement:
    """Return the largest value with the name of what it is of, and all the others beside it.

    It is the one of largest magnitude, without `by_size` the highest, and with `least` the lowest.
    """
    title, chosen = (min if least else max)(
        found, key=lambda one: one[1].value if least or not by_size else abs(one[1].value)
    )
    told = [f"{name}: {one.value:.3g} {one.unit}".rstrip() for name, one in found]
    which = f"The {'least' if least else 'largest'} is that of {title}." if len(found) > 1 else f"Of {title}."
    listed = [f"All: {'; '.join(told)}."] if len(found) > 1 else []
    return Measurement(
        value=chosen.value, unit=chosen.unit, u=chosen.u, dof=chosen.dof, n=chosen.n, is_spread=chosen.is_spread,
        noise=chosen.noise, notes=(which, *listed, *chosen.notes, *notes), source=chosen.source,
        among=() if least or len(found) < 2 else tuple(found),
    )  # fmt: skip


def _noise(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the noise of the noisiest sensor [%], pooled over the surfaces it was read on: it is the sensor's own."""
    of: dict[str, list[Block]] = {}
    for (sensor, _), blocks in by_sensor_and_surface(jig_blocks(evidence, parameters)).items():
        at = set_distance_mm(evidence, parameters, sensor)
        block = nearest_block(blocks, at)
        if abs(block.distance_mm - at) <= _FARTHEST_SHARE * at and block.lit.size > 1 and block.sees_light:
            of.setdefault(sensor, []).append(block)
    found = []
    for sensor, blocks in of.items():
        freedoms = [max(1.0, effective_number(block.readings) - 1) for block in blocks]
        squares = math.fsum(
            dof * (block.sd_count / block.reading) ** 2 for dof, block in zip(freedoms, blocks, strict=True)
        )
        dof = math.fsum(freedoms)
        share = 100 * math.sqrt(squares / dof)
        places = ", ".join(f"{block.distance_mm:g} mm on {block.surface or 'the board'}" for block in blocks)
        found.append((sensor, Measurement(
            value=share, unit="%", u=share / math.sqrt(2 * dof), dof=dof, n=round(dof) + len(blocks), is_spread=True,
            notes=(f"Read at {places}.",),
        )))  # fmt: skip
    if not found:
        raise CannotMeasureError("no board was read near a sensor's set distance, or with one reading only")
    return worst(found)


def _of_sensor(evidence: Evidence, parameters: Parameters) -> list[Block]:
    sensor, surface = parameters.word("sensor", ""), parameters.word("surface", "")
    return [
        block
        for block in all_blocks(evidence, parameters)
        if block.sensor == (sensor or block.sensor) and (not surface or block.surface == surface)
    ]


def _dark(evidence: Evidence, parameters: Parameters) -> Measurement:
    lamps, full_scale = parameters.word("lamps", ""), evidence.robot.adc_full_scale
    highest: dict[str, Block] = {}
    for block in _of_sensor(evidence, parameters):
        if block.dark.size and (not lamps or block.lamps == lamps):
            before = highest.get(block.sensor)
            if before is None or block.dark_level > before.dark_level:
                highest[block.sensor] = block
    if not highest:
        where = f" with the lamps {lamps}" if lamps else ""
        raise CannotMeasureError(
            f"no dark level was received{where}; the robot must tell what a sensor reads with its emitter off"
        )
    found = []
    for sensor, block in highest.items():
        sd = float(np.std(block.dark, ddof=1)) / math.sqrt(block.dark.size) if block.dark.size > 1 else 0.0
        share = 100 / full_scale
        u = share * math.hypot(sd, 1 / math.sqrt(12))
        found.append((sensor, Measurement(value=share * block.dark_level, unit="%", u=u, n=int(block.dark.size))))
    return worst(found)


def _saturation(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return what is left of full scale above the highest lit level [%]."""
    full_scale = evidence.robot.adc_full_scale
    highest: dict[str, tuple[float, Block]] = {}
    for block in _of_sensor(evidence, parameters):
        level = float(np.max(block.lit))
        if block.sensor not in highest or level > highest[block.sensor][0]:
            highest[block.sensor] = (level, block)
    if not highest:
        raise CannotMeasureError("none of the sensors asked of was read")
    found = [
        (sensor, Measurement(
            value=100 * (1 - level / full_scale), unit="%", u=100 / full_scale / math.sqrt(12), n=int(block.lit.size),
            notes=(f"The highest lit level was {level:.0f} of {full_scale}, {block.told()}.",),
        ))
        for sensor, (level, block) in highest.items()
    ]  # fmt: skip
    return worst(found, least=True)


def _lamp_pairs(evidence: Evidence, parameters: Parameters) -> list[tuple[Block, Block]]:
    """Return blocks that were read alike but for the lamps: (off, on)."""
    blocks = _of_sensor(evidence, parameters)
    pairs = []
    for on in (block for block in blocks if block.lamps == "on"):
        alike = [off for off in blocks if off.lamps == "off" and _stood_alike(off, on)]
        if alike:
            pairs.append((alike[-1], on))
    if not pairs:
        raise CannotMeasureError(
            "no place was read both with the lamps off and with them on; the suite must switch them between two "
            "segments of one set-up"
        )
    return pairs


def _stood_alike(one: Block, other: Block) -> bool:
    away = one.distance_mm == other.distance_mm or abs(one.distance_mm - other.distance_mm) <= SAME_DISTANCE_MM
    words = [(each.sensor, each.surface, each.emitter, each.stood_before) for each in (one, other)]
    return words[0] == words[1] and away and one.angle_rad == other.angle_rad


def _sees_wall(block: Block) -> bool:
    """Tell whether a board stands before the sensor, or where nothing is said of boards it reads as if one did."""
    return (block.has_board and block.sees_light) or (not block.stood_before and block.reading > _WALL_COUNTS)


def _ambient(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return how much the lamps change a reading [%]; a board that was set anew stands elsewhere by its place's error.

    Where it was left standing, `block_sd` of 0 says so.
    """
    block_sd_mm = parameters.number("block_sd", BLOCK_SD_MM)
    found = []
    for off, on in _lamp_pairs(evidence, parameters):
        if not _sees_wall(off):
            continue
        ratio = on.reading / off.reading
        place = math.sqrt(2) * 2 * block_sd_mm / off.distance_mm  # inverse square; 0 where no distance is stated
        u = math.hypot(on.u_count / off.reading, ratio * off.u_count / off.reading, ratio * place)
        found.append((off.told(), Measurement(value=100 * (ratio - 1), unit="%", u=100 * u, n=int(on.lit.size))))
    if not found:
        raise CannotMeasureError("no wall stood before a sensor while the lamps were off; its change cannot be told")
    return worst(found)


def _flicker(evidence: Evidence, parameters: Parameters) -> Measurement:
    found = []
    for off, on in _lamp_pairs(evidence, parameters):
        if off.lit.size < 2 or on.lit.size < 2 or not _sees_wall(off):
            continue
        variances = (off.sd_count**2, on.sd_count**2)
        excess = variances[1] - variances[0]
        u_excess = math.hypot(*(v * math.sqrt(2 / (b.lit.size - 1)) for v, b in zip(variances, (off, on), strict=True)))
        # Below zero where it scatters less with the lamps on, by chance: cut off at zero, none would read as some.
        amplitude = math.copysign(math.sqrt(2 * abs(excess)), excess)
        # d(sqrt(2 x)) = dx/sqrt(2 x); near zero the root of the uncertainty itself is what can hide there.
        u = min(u_excess / max(abs(amplitude), 1e-9), math.sqrt(2 * u_excess))
        share = 100 / off.reading
        found.append((off.told(), Measurement(value=share * amplitude, unit="%", u=share * u, n=int(on.lit.size))))
    if not found:
        raise CannotMeasureError("no wall was read at least twice with the lamps off and on")
    return worst(found, by_size=False)


def _responds(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Count the sensors that answer to their own board: their reading changes, and no other one's changes more."""
    wanted = parameters.word("sensor", "")
    moved: dict[str, dict[str, list[Block]]] = {}
    for block in all_blocks(evidence, Parameters(of=parameters.of)):
        named = block.stood_before
        if named and named == (wanted or named) and not block.emitter and block.is_straight:
            moved.setdefault(named, {}).setdefault(block.sensor, []).append(block)
    told, answering = [], {}
    for named, blocks in moved.items():
        changes = {sensor: _change_of(own) for sensor, own in blocks.items() if len(own) > 1}
        if named in changes:
            answering[named], sentence = _answer(named, changes)
            told.append(sentence)
    if not answering:
        raise CannotMeasureError(
            "no sensor was read with a board before it at two distances (or one and none), so that none can answer"
        )
    right = sum(named == answers for named, answers in answering.items())
    swapped = any(answers != named and answering.get(answers) == named for named, answers in answering.items())
    hint = ("Two sensors that answer for each other are swapped in wiring or firmware.",) if swapped else ()
    return Measurement(value=float(right), unit="", u=0.0, n=len(answering), is_count=True, notes=(*told, *hint))


def _change_of(blocks: Sequence[Block]) -> float:
    """Return by how much a reading changes over blocks [count]; 0 where that may be noise."""
    change = max(block.reading for block in blocks) - min(block.reading for block in blocks)
    return change if change > max(_SURE * max(block.u_count for block in blocks), 1.0) else 0.0


def _answer(named: str, changes: Mapping[str, float]) -> tuple[str, str]:
    """Return which sensor answers to the board before `named` ("": none), and a sentence on it."""
    answers = max(changes, key=lambda sensor: changes[sensor])
    if changes[answers] == 0:
        return "", f"Before {named} the board moves no sensor."
    only = "" if answers == named else f", and {named} by {changes[named]:.0f} only"
    return answers, f"Before {named} the board moves {answers} most ({changes[answers]:.0f} counts){only}."


_LAMPS = ParameterSpec(name="lamps", meaning="on or off; none: both", default="", is_word=True, choices=("on", "off"))

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="walls.noise", unit="%", run=_noise, needs=(), source=f"{PRACTICE}; scatter by definition", is_spread=True,
        parameters=(SENSOR, SURFACE, AT),
        summary="Standard deviation of one reading as a share of it, at the set distance; the largest.",
    ),
    Method(
        name="walls.dark", unit="%", run=_dark, needs=(), source=PRACTICE, parameters=(SENSOR, SURFACE, _LAMPS),
        summary="Dark level as a share of the converter's full scale; the highest.",
    ),
    Method(
        name="walls.saturation_margin", unit="%", run=_saturation, needs=(), source=PRACTICE,
        parameters=(SENSOR, SURFACE),
        summary="What is left of full scale above the highest lit level; the least (5 % is saturated).",
    ),
    Method(
        name="walls.ambient", unit="%", run=_ambient, needs=(), source=PRACTICE, parameters=(SENSOR, SURFACE, BLOCK_SD),
        summary="Change of a reading when the lamps are switched on; the largest.",
    ),
    Method(
        name="walls.flicker", unit="%", run=_flicker, needs=(), parameters=(SENSOR, SURFACE),
        source="a sine's amplitude is the root of 2 of its scatter; derived",
        summary="Amplitude of the lamps' flicker left in lit minus dark, as a share of the reading; the largest.",
    ),
    Method(
        name="walls.responds", unit="", run=_responds, needs=(), source="definition", parameters=(SENSOR,),
        is_count=True, summary="How many sensors answer to the board before them: no other one changes more.",
    ),
)  # fmt: skip
