"""Which protocol a port speaks, told from what it says: each shipped one on its own golden lines."""

from __future__ import annotations

import pytest

from hil.catalogue import shipped
from hil.engine.recognising import Fit, how_it_fits, ranked
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.wire.dialect import Dialect
from hil.wire.link import End, Link

GOOD = {"time": 0.0, "encoder.left": 0, "encoder.right": 0, "wall.left": 1, "wall.right": 2, "wall.front": 3}
# As plain-prints writes them: golden.txt beside the protocol file.
PRINTS = b"".join(b"see %d 12 640 went %d -%d\r\n" % (51 + n, n, n + 1) for n in range(48)) + b"volts 7.81\r\n"


@pytest.fixture(scope="module")
def dialects() -> dict[str, Dialect]:
    return {name: load_protocol(path) for name, path in shipped(Kind.PROTOCOL).items()}


def test_lines_of_one_protocol_fit_it_and_no_other(dialects: dict[str, Dialect]) -> None:
    fits = ranked(how_it_fits(PRINTS, 9600, dialect) for dialect in dialects.values())
    assert fits[0].protocol == "plain-prints"
    assert [fit.protocol for fit in fits if fit.fits] == ["plain-prints"]
    assert {"encoder.left", "wall.front", "supply.battery"} <= set(fits[0].channels)


@pytest.mark.parametrize("name", sorted(shipped(Kind.PROTOCOL)))
def test_each_protocol_is_recognised_by_its_golden_lines(name: str, dialects: dict[str, Dialect]) -> None:
    golden = (shipped(Kind.PROTOCOL)[name].parent / "golden.txt").read_text(encoding="ascii")
    lines = [row[18:] for row in golden.split("\n") if row[:6].strip() == "robot"]
    data = "".join(f"{line}\r\n" for line in lines * 3).encode("ascii")
    fits = ranked(how_it_fits(data, 0, dialect) for dialect in dialects.values())
    assert [fit.protocol for fit in fits if fit.fits] == [name]


def test_checked_lines_fit_their_protocol(dialects: dict[str, Dialect]) -> None:
    robot = Link(dialects["tagged-lines"], End.ROBOT)
    data = b"".join(robot.telemetry("motion", GOOD) for _ in range(20))
    fits = ranked(how_it_fits(data, 115200, dialect) for dialect in dialects.values())
    assert [fit.protocol for fit in fits if fit.fits] == ["tagged-lines"]


def test_the_line_that_listening_began_in_does_not_count(dialects: dict[str, Dialect]) -> None:
    fit = how_it_fits(PRINTS[11:-4], 9600, dialects["plain-prints"])
    assert (fit.bad, fit.good) == (0, 47)


def test_noise_fits_nothing(dialects: dict[str, Dialect]) -> None:
    for data in (b"", b"\xff\xfe" * 500, b"hello\r\n" * 50, PRINTS[:40]):
        assert not any(how_it_fits(data, 9600, dialect).fits for dialect in dialects.values())


def test_a_few_bad_lines_still_fit_and_many_do_not() -> None:
    def fit(good: int, bad: int) -> bool:
        return Fit(protocol="x", baud=9600, good=good, bad=bad, channels=()).fits

    assert fit(10, 2)
    assert not fit(10, 3)
    assert not fit(2, 0)
