"""Sensor calibrations as a file: JSON, one entry a sensor, with everything that a distance's uncertainty needs."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from hil.errors import UsageError
from hil.measure.model import SensorCalibration
from hil.store.runs import write_whole

_FORMAT = 2
_OLDER = (1,)  # formats that are still read: without surfaces
_LARGEST_FILE = 1 << 20  # a robot has less than a dozen sensors


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCalibrations:
    """The calibrations of a run: the usual ones by channel, and those of single surfaces with where they come from."""

    sensors: Mapping[str, SensorCalibration] = field(default_factory=dict)
    surfaces: Mapping[str, Mapping[str, SensorCalibration]] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)


def write_calibrations(path: Path, calibrations: Mapping[str, SensorCalibration] | KeptCalibrations) -> None:
    """Write the calibrations of a robot's sensors."""
    kept = calibrations if isinstance(calibrations, KeptCalibrations) else KeptCalibrations(sensors=calibrations)
    content = {
        "format": _FORMAT,
        "model": "reading = gain / (distance_mm + offset_mm) ^ exponent",
        "sensors": _plain(kept.sensors),
        "surfaces": {surface: _plain(sensors) for surface, sensors in sorted(kept.surfaces.items())},
        "sources": dict(sorted(kept.sources.items())),
    }
    write_whole(path, json.dumps(content, indent=2) + "\n")


def _plain(sensors: Mapping[str, SensorCalibration]) -> dict[str, Any]:
    return {channel: asdict(calibration) for channel, calibration in sorted(sensors.items())}


def read_calibrations(path: Path) -> KeptCalibrations:
    """Read them back; raise `UsageError` where the file is none of ours or holds numbers that cannot be."""
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise UsageError("the file is too large for calibrations", where=str(path), expected="at most 1 MiB")
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(
            f"the calibrations cannot be read ({error.strerror})",
            where=str(path),
            expected="calibration.json as a run leaves it in its folder",
            todo="Put that file back, or name another with --calibration, such as that of a run on the same robot",
        ) from None
    except ValueError as error:
        raise _none_of_ours(path, f"it is not JSON: {error}") from None
    if not isinstance(content, dict) or not isinstance(content.get("sensors"), dict):
        raise _none_of_ours(path, "it has no 'sensors'")
    if content.get("format") not in (_FORMAT, *_OLDER):
        raise _none_of_ours(path, f"its format is {content.get('format')!r} and not {_FORMAT}")
    surfaces, sources = content.get("surfaces", {}), content.get("sources", {})
    if not isinstance(surfaces, dict) or not isinstance(sources, dict):
        raise _none_of_ours(path, "its 'surfaces' are no set of named values")
    return KeptCalibrations(
        sensors=_read(path, content["sensors"]),
        surfaces={str(surface): _read(path, sensors) for surface, sensors in surfaces.items()},
        sources={str(surface): str(source) for surface, source in sources.items()},
    )


def _read(path: Path, sensors: Any) -> dict[str, SensorCalibration]:
    if not isinstance(sensors, dict):
        raise _none_of_ours(path, "the sensors of a surface are no set of named values")
    found = {}
    for channel, entry in sensors.items():
        try:
            found[str(channel)] = _calibration(entry)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise _none_of_ours(path, f"the entry of {str(channel)[:40]} cannot be used: {error}") from None
    return found


def _none_of_ours(path: Path, why: str) -> UsageError:
    return UsageError(f"the calibrations cannot be used; {why}", where=str(path), expected="calibration.json of a run")


def _calibration(entry: Mapping[str, Any]) -> SensorCalibration:
    if not isinstance(entry, dict):
        raise TypeError("it is no set of named values")
    known = {item.name for item in fields(SensorCalibration)}
    if set(entry) != known:
        raise ValueError(f"entries {sorted(set(entry) ^ known)} are missing or unknown")
    covariance = tuple(tuple(float(number) for number in row) for row in entry["covariance"])
    numbers = [
        *(number for row in covariance for number in row),
        *(float(entry[name]) for name in ("gain", "exponent")),
    ]
    if len(covariance) != 3 or any(len(row) != 3 for row in covariance) or not all(map(math.isfinite, numbers)):
        raise ValueError("the covariance is not three by three finite numbers")
    if entry["gain"] <= 0 or entry["exponent"] <= 0:
        raise ValueError("gain and exponent are above zero")
    low_mm, high_mm = entry["span_mm"]
    return SensorCalibration(
        channel=str(entry["channel"]),
        surface=str(entry["surface"]),
        gain=float(entry["gain"]),
        exponent=float(entry["exponent"]),
        offset_mm=float(entry["offset_mm"]),
        covariance=(covariance[0], covariance[1], covariance[2]),  # type: ignore[arg-type]
        noise=float(entry["noise"]),
        residual_mm=float(entry["residual_mm"]),
        span_mm=(float(low_mm), float(high_mm)),
        n=int(entry["n"]),
        source=str(entry["source"]),
    )
