"""How fast a link takes lines: `python tests/benchmarks/bench_wire.py`.

The baseline is the plainest reader one would write: split at line feeds, split at blanks, convert to int, with the
check by the standard library. The target is 100 000 lines a second on one core, three hundred times what a port
of 115200 baud can carry, so that decoding is never what a run waits for.
"""

from __future__ import annotations

import binascii
import statistics
import time
from collections.abc import Callable
from pathlib import Path

from hil.spec.loading import load_protocol
from hil.wire.link import End, Link

LINES = 50_000
ROUNDS = 7
DIALECT = load_protocol(Path(__file__).parents[2] / "protocols" / "tagged-lines" / "tagged-lines.protocol.yaml")


def stream() -> bytes:
    robot = Link(DIALECT, End.ROBOT)
    walls = {"wall.left": 612, "wall.right": 598, "wall.front": 41}
    return b"".join(
        robot.telemetry("motion", {"time": i * 0.008, "encoder.left": 7 * i, "encoder.right": 7 * i + 3, **walls})
        for i in range(LINES)
    )


def plain_reader(data: bytes, chunk: int) -> int:
    taken, rest = 0, b""
    for start in range(0, len(data), chunk):
        *lines, rest = (rest + data[start : start + chunk]).split(b"\n")
        for line in lines:
            body, _, check = line.rstrip(b"\r").rpartition(b" #")
            if int(check, 16) == binascii.crc_hqx(body, 0xFFFF):
                _, *numbers = body.split(b" ")
                taken += len([int(number) for number in numbers]) == 7
    return taken


def link_reader(data: bytes, chunk: int) -> int:
    link = Link(DIALECT, End.HOST)
    return sum(len(link.receive(data[start : start + chunk])) for start in range(0, len(data), chunk))


def lines_per_second(reader: Callable[[bytes, int], int], data: bytes, chunk: int) -> float:
    took = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        assert reader(data, chunk) == LINES
        took.append(time.perf_counter() - begin)
    return LINES / statistics.median(took)


def main() -> None:
    data = stream()
    print(f"{LINES} lines of {len(data) / LINES:.1f} bytes, median of {ROUNDS} rounds")
    for chunk in (64, 400, 4096, 65536):
        baseline = lines_per_second(plain_reader, data, chunk)
        ours = lines_per_second(link_reader, data, chunk)
        print(
            f"chunks of {chunk:5d} bytes: plain reader {baseline:9.0f} lines/s (1.00), "
            f"link {ours:9.0f} lines/s ({ours / baseline:.2f})"
        )


if __name__ == "__main__":
    main()
