"""What a port costs beside the bare system calls, over a pseudo-terminal; and what the trace costs beside a plain file.

    python tests/benchmarks/bench_transports.py

Baselines, named in the output: for streams a loop of `select` and `os.read`; for round trips `os.write`, `select` and
`os.read` in one thread; for the trace `file.write` of the same bytes. Every figure is the median of several runs,
and each run of ours alternates with one of the baseline, since the machine's speed drifts.
"""

from __future__ import annotations

import os
import select
import statistics
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

from hil.measure.trace import Chunk, Direction, PortEntry
from hil.store.trace import TraceReader, TraceWriter
from hil.timing import SystemClock
from hil.transports import memory_pair, open_port
from hil.wire.dialect import PortSettings

RUNS = 7
STREAM_BYTES = 16_000_000
ROUND_TRIPS = 2000
CHUNKS = 20_000
LINE = b"m 12345 678 901 234 567 890 12 #1A2B\r\n" * 2


def device_process(work: Callable[[int], None]) -> tuple[int, str, int]:
    """Run `work` on the device's end in a process of its own; return its number, the host's path and descriptor."""
    device_end, host_end = os.openpty()
    tty.setraw(host_end)
    child = os.fork()
    if child == 0:
        os.close(host_end)
        os.read(device_end, 1)  # the host says when it is ready
        work(device_end)
        os._exit(0)
    os.close(device_end)
    return child, os.ttyname(host_end), host_end


def send_stream(device_end: int) -> None:
    block = b"\x55" * 4096
    sent = 0
    while sent < STREAM_BYTES:
        sent += os.write(device_end, block)
    os.read(device_end, 1)  # keep the terminal alive until the host has everything


def echo(device_end: int) -> None:
    for _ in range(ROUND_TRIPS):
        data = b""
        while len(data) < 64:
            data += os.read(device_end, 64 - len(data))
        os.write(device_end, data)
    os.read(device_end, 1)


def raw_stream() -> float:
    child, _, host_end = device_process(send_stream)
    os.write(host_end, b"g")
    began = time.perf_counter()
    found = 0
    while found < STREAM_BYTES:
        select.select([host_end], [], [])
        found += len(os.read(host_end, 65536))
    elapsed = time.perf_counter() - began
    finish(child, host_end)
    return elapsed


def finish(child: int, host_end: int) -> None:
    os.write(host_end, b"e")
    os.waitpid(child, 0)
    os.close(host_end)


def our_stream() -> float:
    child, path, host_end = device_process(send_stream)
    with open_port(path, PortSettings(baud=115200), SystemClock()) as port:
        port.write(b"g")
        began = time.perf_counter()
        found = 0
        while found < STREAM_BYTES:
            stamped = port.read(5.0)
            if stamped is None:
                sys.exit("the stream stopped")
            found += len(stamped.data)
        elapsed = time.perf_counter() - began
    finish(child, host_end)
    return elapsed


def raw_round_trip() -> float:
    child, _, host_end = device_process(echo)
    os.write(host_end, b"g")
    times = []
    for _ in range(ROUND_TRIPS):
        began = time.perf_counter()
        os.write(host_end, b"x" * 64)
        found = 0
        while found < 64:
            select.select([host_end], [], [])
            found += len(os.read(host_end, 64))
        times.append(time.perf_counter() - began)
    finish(child, host_end)
    return statistics.median(times)


def our_round_trip() -> float:
    child, path, host_end = device_process(echo)
    times = []
    with open_port(path, PortSettings(baud=115200), SystemClock()) as port:
        port.write(b"g")
        for _ in range(ROUND_TRIPS):
            began = time.perf_counter()
            port.write(b"x" * 64)
            found = 0
            while found < 64:
                stamped = port.read(5.0)
                if stamped is None:
                    sys.exit("the echo stopped")
                found += len(stamped.data)
            times.append(time.perf_counter() - began)
    finish(child, host_end)
    return statistics.median(times)


def memory_round_trip() -> float:
    near, far = memory_pair(SystemClock())
    times = []
    for _ in range(ROUND_TRIPS):
        began = time.perf_counter()
        near.write(b"x" * 64)
        far.read(0.0)
        far.write(b"x" * 64)
        near.read(0.0)
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def plain_file() -> float:
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        with (Path(folder) / "plain").open("wb") as file:
            for _ in range(CHUNKS):
                file.write(LINE)
        return time.perf_counter() - began


def trace_file() -> float:
    with tempfile.TemporaryDirectory() as folder:
        clock = SystemClock()
        began = time.perf_counter()
        with TraceWriter(Path(folder) / "run.trace", clock) as writer:
            writer.add_port(PortEntry(name="robot", url="", protocol=""))
            for _ in range(CHUNKS):
                writer.chunk(Chunk(t_ns=clock.monotonic_ns(), port="robot", direction=Direction.IN, data=LINE))
        return time.perf_counter() - began


def trace_reading() -> float:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.trace"
        with TraceWriter(path, SystemClock()) as writer:
            writer.add_port(PortEntry(name="robot", url="", protocol=""))
            for number in range(CHUNKS):
                writer.chunk(Chunk(t_ns=number, port="robot", direction=Direction.IN, data=LINE))
        began = time.perf_counter()
        with TraceReader(path) as reader:
            for _ in reader:
                pass
        return time.perf_counter() - began


def compare(baseline: Callable[[], float], *others: Callable[[], float]) -> list[float]:
    """Return the median of each over alternating runs."""
    runs: list[list[float]] = [[] for _ in range(1 + len(others))]
    for _ in range(RUNS):
        for times, work in zip(runs, (baseline, *others), strict=True):
            times.append(work())
    return [statistics.median(times) for times in runs]


def main() -> None:
    raw, ours = compare(raw_stream, our_stream)
    megabytes = STREAM_BYTES / 1e6
    print("stream, device to host                     MB/s    ratio of time")
    print(f"  select + os.read (baseline)           {megabytes / raw:8.1f}    1.00")
    print(f"  Transport.read                        {megabytes / ours:8.1f}    {ours / raw:.2f}")
    raw, ours, memory = compare(raw_round_trip, our_round_trip, memory_round_trip)
    print("round trip of 64 bytes                       us    ratio of time")
    print(f"  os.write + select + os.read (baseline){raw * 1e6:8.1f}    1.00")
    print(f"  Transport over a pseudo-terminal      {ours * 1e6:8.1f}    {ours / raw:.2f}")
    print(f"  Transport over memory                 {memory * 1e6:8.1f}    {memory / raw:.2f}")
    plain, written, read = compare(plain_file, trace_file, trace_reading)
    print(f"trace, chunks of {len(LINE)} bytes             us a chunk    ratio of time")
    print(f"  file.write (baseline)                 {plain / CHUNKS * 1e6:8.2f}    1.00")
    print(f"  TraceWriter.chunk                     {written / CHUNKS * 1e6:8.2f}    {written / plain:.1f}")
    print(f"  TraceReader                           {read / CHUNKS * 1e6:8.2f}    {read / plain:.1f}")
    print(f"threads left: {threading.active_count() - 1}")


if __name__ == "__main__":
    main()
