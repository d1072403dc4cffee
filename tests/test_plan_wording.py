"""The steps of a plan as sentences that a person can say, whatever is read and however many there are."""

from __future__ import annotations

import pytest

from hil.plan.lines import step_in_words
from hil.quantities import counted
from hil.spec.bench_values import HandTurn
from hil.spec.suite_values import Instrument, Observe, Observed


def reading(what: Observed, instrument: Instrument, u: float) -> str:
    return step_in_words(Observe(what=what, name="it", prompt="", instrument=instrument, u=u))


@pytest.mark.parametrize(
    ("what", "instrument", "u", "sentence"),
    [
        (Observed.ALONG, Instrument.RULER, 0.5, "read the place along the way by ruler (± 1 mm) as it"),
        (Observed.CLEARANCE_LEFT, Instrument.RULER, 0.5, "read the clearance on the left by ruler (± 1 mm) as it"),
        (Observed.CONTACTS, Instrument.EYE, 0.0, "read the contacts by eye (counted) as it"),
        (Observed.DISPLAY, Instrument.DISPLAY, 0.5, "read the display (± 1) as it"),
    ],
)
def test_what_a_person_reads_is_a_noun_and_no_key_of_a_file(
    what: Observed, instrument: Instrument, u: float, sentence: str
) -> None:
    assert reading(what, instrument, u) == sentence


def test_one_of_a_thing_is_not_many() -> None:
    assert (counted(0, "row"), counted(1, "row"), counted(2, "row")) == ("0 rows", "1 row", "2 rows")
    assert "1 turn forward" in step_in_words(HandTurn(name="it", wheel="left", turns=1.0))
    assert "2 turns forward" in step_in_words(HandTurn(name="it", wheel="left", turns=2.0))
