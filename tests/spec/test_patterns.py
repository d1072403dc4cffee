"""Regular expressions of files: taken where they cannot take long, refused with the reason where they could."""

from __future__ import annotations

import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.spec.patterns import PatternError, check_pattern

LONGEST = 120


@pytest.mark.parametrize(
    "pattern",
    [
        "ready",
        r"boot v\d+\.\d+",
        ".*ready.*",
        r"[A-Za-z ]+ (?:v|version )\d{1,2}",
        "a|b|c",
        r"ready\|",
        "[|]x",
        r"\(c\) 20[0-9]{2}",
        "[]a]+",
        r"[^\]]*x",
        "{x}",
        "a{,3}b",
    ],
)
def test_a_pattern_of_a_banner_is_taken(pattern: str) -> None:
    check_pattern(pattern, LONGEST)


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        ("(", "a regular expression (missing ), unterminated subpattern at position 0)"),
        ("a" * 201, "at most 200 characters"),
        ("(a+)+b", "no repeat of what can itself be read in several ways, since it could take for ever"),
        ("(a|a)*b", "no repeat of what can itself be read in several ways, since it could take for ever"),
        ("(?:x?y)+", "no repeat of what can itself be read in several ways, since it could take for ever"),
        ("(?:.*a){20}b", "fewer repeats, since this could take for ever"),
        (".*.*.*b", "fewer repeats, since this could take for ever"),
        ("a?" * 20 + "a" * 20, "fewer repeats, since this could take for ever"),
        (r"(a)\1", "no reference back to a group"),
        ("[[a]b", "a regular expression (Possible nested set at position 1)"),
        ("ready|", "something on both sides of every |, or \\| for the character itself"),
        ("|ready", "something on both sides of every |, or \\| for the character itself"),
        ("(on||off)", "something on both sides of every |, or \\| for the character itself"),
        (".*", "a pattern with something in it that must be there, since this one fits an empty line"),
        ("(ready)?", "a pattern with something in it that must be there, since this one fits an empty line"),
        ("(?=a)a", "plain groups only, (…) or (?:…)"),
        ("(?i)ready", "plain groups only, (…) or (?:…)"),
    ],
)
def test_a_pattern_that_could_take_for_ever_is_refused_and_says_why(pattern: str, expected: str) -> None:
    with pytest.raises(PatternError) as caught:
        check_pattern(pattern, LONGEST)
    assert str(caught.value) == expected


@given(
    st.text("ab.()[]|?*+{}:\\d,29", max_size=24),
    st.lists(st.sampled_from(["a", "ab", "aab", "b", "2", "(", "x"]), min_size=1, max_size=3),
)
def test_what_is_taken_is_done_with_any_line_soon(pattern: str, pieces: list[str]) -> None:
    """Witness: Python's matcher on lines that make bad patterns slow, many times a piece and then a stranger."""
    try:
        check_pattern(pattern, LONGEST)
    except PatternError:
        return
    compiled = re.compile(pattern)
    began_s = time.process_time()
    for piece in pieces:
        compiled.fullmatch((piece * LONGEST)[: LONGEST - 1] + "\x00")
    assert time.process_time() - began_s < 1.0
