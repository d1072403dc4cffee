"""Supply at rest and under load: voltages, the motor rail against what is set, headroom, sag, resistance, duty.

A voltage comes from the robot's own converter or from a meter that a person reads. The robot's converter sits behind a
divider whose error is the same in every reading and does not average: it is stated by `within`, a bound (1 % by
default: resistors of 1 %; common practice, no source). A meter states its own. Shares of two voltages of one converter
are free of that error. Voltages of a segment are those of its rows; a name of no segment is that of an answer.

The battery's resistance is taken from two loads, R = (V1 - V2) / (I2 - I1), from the first second of each load, before
polarisation has built up; what comes after is told apart as its slow part.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from hil.measure.chemistry import CHEMISTRIES, chemistry_of
from hil.measure.evidence import Evidence, Floats
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.model import Supply
from hil.measure.regulator import motor_set_v, rail_v, set_bounds_v
from hil.measure.supply_levels import Level, level_of, lowest_of, mean_u, rows_in
from hil.measure.uncertainty import Part, effective_number, join
from hil.measure.values import CannotMeasureError, Measurement

BATTERY, MOTOR, CURRENT = "supply.battery", "supply.motor", "supply.current"
_WITHIN = 1.0  # %, of the robot's converter and divider
_RISEN = 3.0  # standard uncertainties by which a voltage may rise under a load without being doubted
_FAST_S = 1.0  # after a step of load; the slow part of a cell's resistance takes seconds to build up


def _supply_of(evidence: Evidence) -> Supply:
    if evidence.robot.supply is None:
        raise CannotMeasureError("the robot file says nothing of its supply")
    return evidence.robot.supply


def _set_v(evidence: Evidence) -> float:
    wanted = motor_set_v(_supply_of(evidence))
    if wanted is None:
        raise CannotMeasureError(
            "the robot file says neither what the motor rail is set to (supply: motor) nor its regulator's resistors"
        )
    return wanted


def _named(parameters: Parameters, key: str) -> str:
    name = parameters.word(key, "")
    if not name:
        raise CannotMeasureError(f"say which segment or answer is meant by '{key}'")
    return name


def _measured(value: float, unit: str, part: Part, levels: tuple[Level, ...], *notes: str) -> Measurement:
    return Measurement(
        value=value,
        unit=unit,
        u=part.u,
        dof=part.dof,
        n=min(level.n for level in levels),
        source=", ".join(sorted({level.source for level in levels})),
        notes=tuple(notes),
    )


def _voltage(evidence: Evidence, parameters: Parameters) -> Measurement:
    level = level_of(evidence, _named(parameters, "in"), parameters.word("at", BATTERY), _within(parameters))
    return _measured(level.value, "V", level.part, (level,))


def _within(parameters: Parameters) -> float:
    return parameters.number("within", _WITHIN)


def _cell(evidence: Evidence, parameters: Parameters) -> Measurement:
    supply = _supply_of(evidence)
    level = level_of(evidence, _named(parameters, "in"), BATTERY, _within(parameters))
    return _measured(level.value / supply.cells, "V", level.part.times(1 / supply.cells), (level,))


def _cell_margin(evidence: Evidence, parameters: Parameters) -> Measurement:
    cell, chemistry = _cell(evidence, parameters), chemistry_of(_supply_of(evidence))
    if chemistry is None:
        known = ", ".join(sorted({one.name for one in CHEMISTRIES.values()}))
        raise CannotMeasureError(
            f"the limits of a battery called '{_supply_of(evidence).chemistry}' are not known; known are {known}"
        )
    if parameters.word("limit", "stop") == "stop":
        note = f"{cell.value:.3f} V a cell; a {chemistry.name} cell is stopped at {chemistry.stop_v:g} V."
        return replace(cell, value=cell.value - chemistry.stop_v, notes=(note,))
    note = f"{cell.value:.3f} V a cell; a {chemistry.name} cell is full at {chemistry.full_v:g} V."
    return replace(cell, value=chemistry.full_v - cell.value, notes=(note,))


def _rail(evidence: Evidence, parameters: Parameters) -> Measurement:
    wanted = _set_v(evidence)
    level = level_of(evidence, _named(parameters, "in"), MOTOR, _within(parameters))
    notes = [f"The rail is set to {wanted:.2f} V."]
    regulator = _supply_of(evidence).regulator
    if regulator is not None:
        low, high = set_bounds_v(regulator)
        notes.append(f"Its regulator's parts allow {low:.2f} to {high:.2f} V.")
        here = _named(parameters, "in")
        battery = parameters.word("battery", here if rows_in(evidence, here, BATTERY) else "")
        if battery:
            left = level_of(evidence, battery, BATTERY, _within(parameters)).value
            most = rail_v(regulator, left, wanted)
            if most < wanted:
                notes.append(
                    f"The battery of {left:.2f} V leaves {most:.2f} V behind a dropout of {regulator.dropout_v:g} V."
                )
    return _measured(100 * (level.value / wanted - 1), "%", level.part.times(100 / wanted), (level,), *notes)


def _headroom(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Lowest battery voltage under load less what the rail is set to."""
    wanted = _set_v(evidence)
    lowest = lowest_of(evidence, _named(parameters, "load"), BATTERY, _within(parameters))
    regulator = _supply_of(evidence).regulator
    needs = (
        f"Its regulator needs {regulator.dropout_v:g} V." if regulator else "No regulator is said in the robot file."
    )
    return _measured(lowest.value - wanted, "V", lowest.part, (lowest,), f"The rail is set to {wanted:.2f} V.", needs)


def _sag(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Share of the voltage at rest that is lost under load; one converter's common error cancels in the share."""
    channel, within = parameters.word("at", BATTERY), _within(parameters)
    rest = level_of(evidence, _named(parameters, "rest"), channel, within)
    name = _named(parameters, "load")
    is_peak = parameters.word("taken", "mean") == "lowest"
    load = lowest_of(evidence, name, channel, within) if is_peak else level_of(evidence, name, channel, within)
    if rest.value <= 0:
        raise CannotMeasureError(f"{channel} at rest is {rest.value:.2f} V; is the switch on?")
    share = load.value / rest.value
    parts = [load.chance.times(100 / rest.value), rest.chance.times(100 * share / rest.value)]
    if rest.source != load.source:
        parts += [Part(load.common * 100 / rest.value), Part(rest.common * 100 * share / rest.value)]
    found = join(*parts)
    if share - 1 > _RISEN * found.u / 100:
        raise CannotMeasureError(
            f"{channel} rises under the load, from {rest.value:.3f} V to {load.value:.3f} V, which no load makes it "
            "do; were the two taken for each other?"
        )
    return _measured(100 * (1 - share), "%", found, (rest, load))


def _resistance(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Battery resistance from two loads; the slow part is what comes after the first second."""
    within, current_within = _within(parameters), parameters.number("current_within", 2.0)
    slow = parameters.word("part", "fast") == "slow"
    fast = lambda time: time <= _FAST_S  # noqa: E731  (a name for what is picked)
    late = lambda time: time >= time[-1] - _FAST_S / 2  # noqa: E731
    lighter, heavier = _named(parameters, "rest"), _named(parameters, "load")
    v1 = level_of(evidence, lighter, BATTERY, within, late)
    v2 = level_of(evidence, heavier, BATTERY, within, fast)
    i1 = _current(evidence, parameters, "rest", current_within, late)
    i2 = _current(evidence, parameters, "load", current_within, fast)
    step_a = i2.value - i1.value
    if step_a <= 3 * math.hypot(i1.chance.u, i2.chance.u) or step_a <= 0:
        raise CannotMeasureError(
            f"the two loads differ by {step_a:.3f} A only, which is too little to tell a resistance; load it more"
        )
    ohm = (v1.value - v2.value) / step_a
    part = _resistance_part(v1, v2, i1, i2, ohm, step_a)
    if ohm < -_RISEN * part.u:
        raise CannotMeasureError(
            f"the battery rises under the heavier load, from {v1.value:.3f} V to {v2.value:.3f} V, which none does; "
            "were the two taken for each other?"
        )
    notes = [f"From {v1.value:.3f} V at {i1.value:.3f} A to {v2.value:.3f} V at {i2.value:.3f} A."]
    if slow:
        v3 = level_of(evidence, heavier, BATTERY, within, late)
        i3 = _current(evidence, parameters, "load", current_within, late)
        ohm = (v1.value - v3.value) / (i3.value - i1.value) - ohm
        part = join(part, _resistance_part(v1, v3, i1, i3, ohm, step_a))
        notes.append("What polarisation adds to the resistance of the first second.")
    return _measured(ohm, "ohm", part, (v1, v2, i1, i2), *notes)


def _resistance_ratio(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Battery resistance over that of a good one of its kind."""
    found, supply = _resistance(evidence, parameters), _supply_of(evidence)
    chemistry = chemistry_of(supply)
    if chemistry is None:
        raise CannotMeasureError(f"what resistance a good battery called '{supply.chemistry}' has is not known")
    usual = chemistry.cell_ohm * supply.cells
    told = f"It has {found.value:.3f} ohm; a good {chemistry.name} battery of {supply.cells} has about {usual:.2g} ohm."
    return replace(found, value=found.value / usual, unit="", u=found.u / usual, notes=(told, *found.notes))


def _resistance_part(v1: Level, v2: Level, i1: Level, i2: Level, ohm: float, step_a: float) -> Part:
    """Uncertainty of (V1 - V2)/(I2 - I1); a common share of one instrument scales the difference only.

    Voltages of two instruments have nothing in common, and each keeps its whole error in the difference. Where the
    current is that of a known resistor, a common share of the voltage is in both differences and cancels; what is left
    is the resistor's own.
    """
    is_mixed = v1.source != v2.source
    volts = [v1.chance, v2.chance]
    amps = [i1.chance, i2.chance]
    if i2.is_by_resistor:  # its noise is that of the voltage, in both differences to the same side
        volts[1], amps = v2.chance.times(1 + abs(ohm * i2.value / v2.value)), amps[:1]
    share_v = v2.common / abs(v2.value) if v2.value and not is_mixed and not i2.is_by_resistor else 0.0
    share_i = i2.common / abs(i2.value) if i2.value else 0.0
    return join(
        *(part.times(1 / step_a) for part in volts),
        *(part.times(ohm / step_a) for part in amps),
        *(Part(level.common / step_a) for level in (v1, v2) if is_mixed),
        Part(abs(ohm) * share_v),
        Part(abs(ohm) * share_i),
    )


def _current(
    evidence: Evidence, parameters: Parameters, key: str, within: float, chosen: Callable[[Floats], Floats]
) -> Level:
    """Return the current of a load: from the voltage over a known resistor, or as reported or read.

    A resistor is known by the suite or because it was clipped on in that segment.
    """
    ohm = parameters.number(f"{key}_ohm", math.nan)
    name = parameters.word(f"{key}_current", "") or _named(parameters, key)
    if math.isnan(ohm):
        ohm = _clipped(evidence, _named(parameters, key))
    if not math.isnan(ohm):
        volts = level_of(evidence, _named(parameters, key), BATTERY, within, chosen)
        return Level(
            value=volts.value / ohm, chance=volts.chance.times(1 / ohm),
            common=volts.value / ohm * within / 100 / math.sqrt(3), n=volts.n, source=volts.source,
            is_by_resistor=True,
        )  # fmt: skip
    if key == "rest" and not parameters.word("rest_current", ""):
        known = (parameters.number("load_ohm", math.nan), _clipped(evidence, _named(parameters, "load")))
        if not all(map(math.isnan, known)):
            # What the robot draws by itself flows in both, and the resistor's current is the whole step.
            return Level(value=0.0, chance=Part(0.0), common=0.0, n=1, source="robot")
    return level_of(evidence, name, CURRENT, within, chosen)


def _clipped(evidence: Evidence, name: str) -> float:
    """Return the resistor that was across the battery in the segments of a name; nan without one."""
    found = {drive.conditions["resistor_ohm"] for drive in evidence.named(name) if "resistor_ohm" in drive.conditions}
    if len(found) > 1:
        raise CannotMeasureError(f"'{name}' was read with different resistors")
    return found.pop() if found else math.nan


def _duty(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Mean size of the duty of the busier wheel, in percent of the supply."""
    wheels = _duties(evidence, parameters)
    return max(wheels, key=lambda one: one.value)


def _duties(evidence: Evidence, parameters: Parameters) -> tuple[Measurement, Measurement]:
    name = _named(parameters, "in")
    found = []
    for wheel in ("left", "right"):
        rows = [np.abs(values) for _, values in rows_in(evidence, name, f"duty.{wheel}") if values.size]
        if not rows:
            raise CannotMeasureError(f"the robot does not tell duty.{wheel} in '{name}'")
        steady = np.concatenate(rows)
        if not np.any(steady > 0):
            raise CannotMeasureError(f"the duty of the {wheel} wheel was zero throughout '{name}'")
        part = Part(mean_u(steady, evidence.robot.adc_full_scale), max(1.0, effective_number(steady) - 1)).times(100)
        found.append(
            Measurement(
                value=100 * float(np.mean(steady)), unit="%", u=part.u, dof=part.dof, n=int(steady.size),
                notes=(f"The {wheel} wheel's.",),
            )
        )  # fmt: skip
    return found[0], found[1]


def _duty_difference(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Left less right mean duty, in percent of their mean."""
    left, right = _duties(evidence, parameters)
    mean = (left.value + right.value) / 2
    part = join(Part(left.u, left.dof), Part(right.u, right.dof)).times(100 / mean)
    return Measurement(
        value=100 * (left.value - right.value) / mean, unit="%", u=part.u, dof=part.dof, n=min(left.n, right.n)
    )


def _segment(name: str, meaning: str) -> ParameterSpec:
    return ParameterSpec(name=name, meaning=meaning, is_word=True)


_IN = _segment("in", "segment or answer that it is taken in")
_REST = _segment("rest", "segment or answer at rest, or of the lighter load")
_LOAD = _segment("load", "segment or answer under load")
_AT = ParameterSpec(
    name="at", meaning="which voltage", default=BATTERY, is_word=True, choices=(BATTERY, MOTOR),
)  # fmt: skip
_WITHIN_SPEC = ParameterSpec(name="within", meaning="bound of the converter's common error", unit="%", default=_WITHIN)
_SHEETS = "data sheets of adjustable linear regulators"
_OHM = tuple(
    ParameterSpec(name=f"{key}_ohm", meaning=f"known resistor of the load '{key}'", unit="ohm", default=math.nan)
    for key in ("rest", "load")
)
_AMPS = tuple(
    ParameterSpec(name=f"{key}_current", meaning=f"segment or answer with the current of '{key}'", default="",
                  is_word=True)
    for key in ("rest", "load")
)  # fmt: skip
_RESISTANCE = (
    _REST, _LOAD, *_OHM, *_AMPS, _WITHIN_SPEC,
    ParameterSpec(name="current_within", meaning="bound of the current's common error", unit="%", default=2.0),
    ParameterSpec(name="part", meaning="the first second, or what comes after", default="fast", is_word=True,
                  choices=("fast", "slow")),
)  # fmt: skip

_Run = Callable[[Evidence, Parameters], Measurement]


def _both(
    name: str, unit: str, run: _Run, channel: str, summary: str, source: str, *parameters: ParameterSpec
) -> tuple[Method, Method]:
    """Return a method that reads the robot and its twin that reads a person's meter."""
    robot = Method(
        name=f"supply.{name}", unit=unit, run=run, needs=(channel,), summary=summary, source=source,
        parameters=parameters,
    )  # fmt: skip
    person = Method(
        name=f"supply.{name}_read", unit=unit, run=run, needs=("answers",),
        summary=f"{summary[:-1]}, by a meter.", source=source, parameters=parameters,
    )  # fmt: skip
    return robot, person


METHODS_OF_SUBJECT: tuple[Method, ...] = (
    *_both("voltage", "V", _voltage, BATTERY, "A voltage of the supply.", "definition", _IN, _AT, _WITHIN_SPEC),
    *_both("cell", "V", _cell, BATTERY, "Battery voltage a cell.", "definition", _IN, _WITHIN_SPEC),
    *_both(
        "cell_margin", "V", _cell_margin, BATTERY, "How far a cell is from where it should not be used any more.",
        "limits of the chemistry by makers and universities", _IN, _WITHIN_SPEC,
        ParameterSpec(name="limit", meaning="stop: above the voltage to stop at; full: below the highest",
                      default="stop", is_word=True, choices=("stop", "full")),
    ),
    *_both(
        "rail", "%", _rail, MOTOR, "Motor rail against what it is set to.", _SHEETS, _IN, _WITHIN_SPEC,
        ParameterSpec(name="battery", meaning="segment or answer with the battery's voltage", default="", is_word=True),
    ),
    *_both(
        "headroom", "V", _headroom, BATTERY, "Lowest battery voltage under load over the motor rail's setting.",
        _SHEETS, _LOAD, _WITHIN_SPEC,
    ),
    *_both(
        "sag", "%", _sag, BATTERY, "Share of the resting voltage that is lost under load.", "definition",
        _REST, _LOAD, _AT, _WITHIN_SPEC,
        ParameterSpec(name="taken", meaning="mean or lowest under load", default="mean", is_word=True,
                      choices=("mean", "lowest")),
    ),
    *_both(
        "resistance", "ohm", _resistance, BATTERY, "Resistance of the battery from two loads.",
        "R = (V1 - V2)/(I2 - I1), textbook; JCGM 100:2008 5.1.2", *_RESISTANCE,
    ),
    *_both(
        "resistance_ratio", "", _resistance_ratio, BATTERY,
        "Resistance of the battery over that of a good one of its kind.", "common practice, no source", *_RESISTANCE,
    ),
    Method(
        name="supply.duty", unit="%", run=_duty, needs=("duty.left", "duty.right"), source="definition",
        summary="Mean duty of the busier wheel.", parameters=(_IN,),
    ),
    Method(
        name="supply.duty_difference", unit="%", run=_duty_difference, needs=("duty.left", "duty.right"),
        source="definition", summary="Left less right mean duty, of their mean.", parameters=(_IN,),
    ),
)  # fmt: skip
