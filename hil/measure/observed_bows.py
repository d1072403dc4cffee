"""Curvature by a bow that a person read: the side and the size of a path's arc over a length.

For robots that leave a mark on the floor, or that a person sees pass three marks: the middle one against the line of
the other two. The blind legs' offsets and angles (`hil.measure.observed_legs`) see finer; this needs no angle.
"""

from __future__ import annotations

from hil.measure.evidence import Evidence
from hil.measure.method import Method, Parameters
from hil.measure.observed import Reading, in_unit, mean_of, measured, numbered_drives, observation_method, word_spec
from hil.measure.readings import curvature_by_bow
from hil.measure.uncertainty import Mean
from hil.measure.values import CannotMeasureError, Measurement

_BOW = word_spec("bow", "answer with the bow of the path, left positive", "bow")
_SAGITTA = "|kappa| = 8 s / (L^2 + 4 s^2), plane geometry; JCGM 100:2008 5.1.2"


def _curvatures(evidence: Evidence, parameters: Parameters) -> list[Reading]:
    name = parameters.word("bow", "bow")
    wanted = {index for index, _ in numbered_drives(evidence, parameters)}
    found: list[Reading] = []
    for answer in evidence.answers:
        if answer.name != name or answer.index not in wanted or answer.placed:
            continue
        over_mm = answer.how.get("over_mm")
        if not isinstance(over_mm, int | float) or over_mm <= 0:
            raise CannotMeasureError(f"the answer {name} does not say over which length the bow was read")
        bow = in_unit(answer, "mm")
        value, u = curvature_by_bow(bow.value, float(over_mm), bow.u)
        found.append(Reading(value=value, u=u, source=bow.source))
    if not found:
        raise CannotMeasureError(f"no answer named {name} was given after the drives asked of")
    return found


def _scaled(evidence: Evidence, parameters: Parameters, factor: float, unit: str) -> Measurement:
    readings = _curvatures(evidence, parameters)
    mean = mean_of(readings, "curvature by bow")
    scaled = Mean(value=factor * mean.value, part=mean.part.times(factor), sd=factor * mean.sd, n=mean.n)
    return measured(
        scaled, unit, readings, ("All went one way, so that a bow of the course or of the marks is in it.",)
    )


def _curvature(evidence: Evidence, parameters: Parameters) -> Measurement:
    return _scaled(evidence, parameters, 1000.0, "1/m")


def _wheel_mismatch(evidence: Evidence, parameters: Parameters) -> Measurement:
    return _scaled(evidence, parameters, 100 * evidence.robot.wheel_base_mm, "%")


METHODS_OF_SUBJECT: tuple[Method, ...] = (
    observation_method(
        "curvature_by_bow", "1/m", _curvature, (_BOW,), "Curvature from the bow of a blind path.", _SAGITTA
    ),
    observation_method(
        "wheel_mismatch_by_bow", "%", _wheel_mismatch, (_BOW,), "Wheel mismatch from the bow of a blind path.", _SAGITTA
    ),
)
