"""A person's readings compiled: what is read, with what, how well, and where.

Each instrument reads some kinds of quantity and has its usual standard uncertainty there: ruler 0.5 mm, calliper
0.05 mm, square 0.4 deg (0.3 to 0.5), overhead camera 1 mm and 0.3 deg, stopwatch 0.1 s; what is counted is exact
(common practice, no source). With its uncertainty told, any other instrument may read it too. A resolution adds its
own part, step/sqrt(12) (JCGM 100:2008 F.2.2.1). A meter has the accuracy that its maker states (`hil.spec.meters`).
"""

from __future__ import annotations

import math

from hil.measure.model import Course
from hil.quantities import QuantityError, convert, parse_quantity, quantity_in
from hil.spec.checking import Document, Key
from hil.spec.meters import METER_UNITS, check_meter, meter_accuracy
from hil.spec.suite_file import ObservePart
from hil.spec.suite_values import Instrument, Observe, Observed
from hil.spec.texts import written
from hil.spec.wording import one_of, quoted

_RULED = (Instrument.RULER, Instrument.CALLIPER, Instrument.CAMERA)
_INSTRUMENTS: dict[Observed, tuple[Instrument, ...]] = {
    Observed.OFFSET: _RULED,
    Observed.ANGLE: (Instrument.SQUARE, Instrument.TWO_OFFSETS, Instrument.CAMERA),
    Observed.ALONG: _RULED,
    Observed.CLEARANCE_LEFT: _RULED,
    Observed.CLEARANCE_RIGHT: _RULED,
    Observed.CONTACTS: (Instrument.EYE,),
    Observed.LAP_TIME: (Instrument.STOPWATCH,),
    Observed.BOW: _RULED,
    Observed.LIGHT: (Instrument.EYE,),
    Observed.DISPLAY: (Instrument.DISPLAY,),
    Observed.METER: (Instrument.METER,),
}
_UNCERTAINTY = {
    Instrument.RULER: 0.5,
    Instrument.CALLIPER: 0.05,
    Instrument.SQUARE: 0.4,
    Instrument.TWO_OFFSETS: 0.5,  # mm, of each offset: it is the ruler's
    Instrument.CAMERA: 1.0,
    Instrument.STOPWATCH: 0.1,
    Instrument.EYE: 0.0,
    Instrument.DISPLAY: 0.0,
    Instrument.METER: 0.0,  # its maker states it, in the suite
}
_CAMERA_DEG = 0.3


def compile_observe(document: Document, at: Key, part: ObservePart, course: Course | None) -> Observe:
    """Return a reading; what cannot be read so is reported to the document."""
    what = Observed(part.what)
    allowed = _INSTRUMENTS[what]
    instrument = Instrument(part.instrument) if part.instrument else allowed[0]
    by_offsets = instrument is Instrument.TWO_OFFSETS
    if instrument not in allowed and (part.u is None or by_offsets):
        usual = one_of([f"the {one.value}" for one in allowed])
        document.report(
            (*at, "instrument"),
            found=f"{quoted(instrument.value)} for {quoted(what.value)}",
            expected=usual if by_offsets else f"{usual}, or its uncertainty as 'u'",
        )
        instrument = allowed[0]
    _check_places(document, at, part, what, instrument)
    unit = _unit(document, at, part, what)
    read_in = "mm" if instrument is Instrument.TWO_OFFSETS else unit
    u = _quantity(document, (*at, "u"), part.u, read_in, "an uncertainty")
    resolution = _quantity(document, (*at, "resolution"), part.resolution, read_in, "a resolution") or 0.0
    check_meter(document, at, part)
    accuracy = meter_accuracy(document, at, part, unit, resolution)
    if accuracy is not None:
        u = accuracy.constant / math.sqrt(3)
    return Observe(
        what=what,
        name=part.name,
        prompt=part.prompt or "",
        instrument=instrument,
        u=math.hypot(_usual_u(instrument, read_in) if u is None else u, resolution / math.sqrt(12)),
        resolution=resolution,
        apart_mm=part.apart or 0.0,
        over_mm=part.over or 0.0,
        mark=part.mark or "",
        shown_in=unit if what in (Observed.DISPLAY, Observed.METER) else "",
        at=part.at or "",
        share=accuracy.share if accuracy is not None else 0.0,
        passage_mm=course.free_width_mm if course else 0.0,
        pitch_mm=course.pitch_mm if course else 0.0,
    )


def _usual_u(instrument: Instrument, unit: str) -> float:
    return _CAMERA_DEG if instrument is Instrument.CAMERA and unit == "deg" else _UNCERTAINTY[instrument]


def _check_places(document: Document, at: Key, part: ObservePart, what: Observed, instrument: Instrument) -> None:
    by_offsets = instrument is Instrument.TWO_OFFSETS
    if by_offsets and part.apart is None and not _stands(document, at, "apart"):
        document.report(at, found="nothing", expected="how far apart the two offsets are read", member="apart")
    if part.apart is not None and not by_offsets:
        _report_key(document, (*at, "apart"), "it for an angle by two offsets only")
    if what is Observed.BOW and part.over is None and not _stands(document, at, "over"):
        document.report(at, found="nothing", expected="the length over which the bow is read", member="over")
    if part.over is not None and what is not Observed.BOW:
        _report_key(document, (*at, "over"), "it for a bow only")
    if part.mark is not None and what not in (Observed.OFFSET, Observed.ALONG):
        _report_key(document, (*at, "mark"), "it for an offset or a place along the way only")


def _report_key(document: Document, at: Key, expected: str) -> None:
    """Report a key that has no business where it stands, whatever its value."""
    document.report(at, found=quoted(str(at[-1])), expected=expected, key=True)


def _stands(document: Document, at: Key, key: str) -> bool:
    """Tell whether a key stands in the file, be its value right or wrong."""
    node = document.node(at)
    return node is not None and key in node.entries


def _unit(document: Document, at: Key, part: ObservePart, what: Observed) -> str:
    if part.unit is None:
        return "V" if what is Observed.METER else what.unit
    if what is Observed.METER:
        if part.unit not in METER_UNITS:
            document.report((*at, "unit"), expected=one_of(METER_UNITS))
            return "V"
        return part.unit
    if what is not Observed.DISPLAY:
        _report_key(document, (*at, "unit"), "it for a display or a meter only")
        return what.unit
    if not unit_is_known(part.unit):
        document.report((*at, "unit"), expected="a unit such as 'V'")
    return part.unit


def unit_is_known(unit: str) -> bool:
    """Tell whether a text is a unit."""
    try:
        if parse_quantity(f"1 {unit}").unit:
            convert(1.0, unit, "kg" if unit != "kg" else "g")
    except QuantityError as error:
        return "cannot be expressed" in str(error)
    return True


def _quantity(document: Document, at: Key, text: str | None, unit: str, kind: str) -> float | None:
    """Return a quantity in `unit`, None where none is written or it is wrong, which is reported."""
    if text is None:
        return None
    try:
        value = quantity_in(written(text), unit)
    except QuantityError:
        value = -1.0
    if value < 0:
        document.report(at, expected=f"{kind} such as '{f'0.5 {unit}'.rstrip()}'")
        return None
    return value
