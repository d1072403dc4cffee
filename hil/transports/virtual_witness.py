"""The truth file of a virtual robot, JSON lines for tests: the one way by which the truth leaves its process."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, TextIO

from hil.simulator.bench import VirtualBench


class Witness:
    """Writes the truth file: the true parameters, then the true pose at every report and along every drive."""

    def __init__(self, path: Path, bench: VirtualBench) -> None:
        self._file: TextIO = path.open("w", encoding="utf-8")
        self._bench = bench
        self._write({"truth": asdict(bench.truth)})

    def report(self, event: str, time_s: float, detail: str) -> None:
        """Note a report of the firmware with the pose of this moment."""
        self._write({"event": event, "time_s": time_s, "detail": detail, **self._pose()})

    def note(self, what: str) -> None:
        """Note the pose under a word of our own."""
        self._write({"event": what, "time_s": self._bench.device.now_s, "detail": "", **self._pose()})

    def _pose(self) -> dict[str, float]:
        plant = self._bench.plant
        return {
            "x_mm": plant.x_mm,
            "y_mm": plant.y_mm,
            "theta_rad": plant.theta_rad,
            "left": plant.counts_left,
            "right": plant.counts_right,
        }

    def _write(self, record: Mapping[str, Any]) -> None:
        # The robot's nominal calibrations are keyed by channel and hold tuples only, so that all of it is JSON.
        self._file.write(json.dumps(record, default=str) + "\n")

    def close(self) -> None:
        """Close the file."""
        self._file.close()
