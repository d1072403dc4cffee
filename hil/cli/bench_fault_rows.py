"""What each fault must do to a robot on the bench: closed forms of what encoders, loop timing, walls and supply read.

Duty and phase are what the fault says they are. A disc or wheel whose centre is e off its axle ripples by e/r once a
turn. A share p of lost edges takes p from the counts of a turn. Light that strays adds its share to every reading of
its sensor, lamps their share to every dark level. A gain of one sensor is that share of left against right. A loop that
is held has a gap as long as the hold. Textbook relations, computed by no simulator code.
"""

from __future__ import annotations

from hil.cli.fault_rows import FaultRow, Moves

WHEEL_RADIUS_MM = 14.0
PERIOD_MS = 1.0  # of the control loop
SPEED_MM_S = 300.0  # at which a gap of the loop is stated as a way
BATTERY_OHM = 0.15

ENCODERS = ("encoders",)
TIMING = ("loop-timing",)
WALLS = ("wall-sensors",)
SUPPLY = ("supply",)


def _both(name: str, truth: str, expected: float, unit: str) -> tuple[Moves, ...]:
    return tuple(
        Moves(measurement=f"{name}_{side}", truth=truth, expected=expected, unit=unit) for side in ("left", "right")
    )


def _duty(percent: float) -> FaultRow:
    return FaultRow(
        fault=f"encoder-duty={percent:g} %",
        suites=ENCODERS,
        moves=(
            *_both("duty", "duty as said", percent - 50, "%"),
            *_both("hand_duty", "duty as said", percent - 50, "%"),
        ),
        stays=("phase_left", "counts_left", "counts_right", "left_right"),
        fails=("ripple_left", "ripple_right"),
    )


def _phase(angle_deg: float) -> FaultRow:
    return FaultRow(
        fault=f"encoder-phase={angle_deg:g} deg",
        suites=ENCODERS,
        moves=_both("phase", "delay as said", angle_deg - 90, "deg"),
        stays=("duty_left", "duty_right", "counts_left", "counts_right"),
        fails=("state_left", "state_right"),
    )


def _run_out(off_mm: float) -> FaultRow:
    return FaultRow(
        fault=f"run-out={off_mm:g} mm",
        suites=ENCODERS,
        moves=(
            Moves(
                measurement="run_out_right",
                truth="speed ripple e/r",
                expected=100 * off_mm / WHEEL_RADIUS_MM,
                unit="%",
            ),
        ),
        stays=("duty_left", "duty_right", "jitter_left", "jitter_right", "counts_right", "run_out_left"),
        fails=("run_out_right",),
    )


def _dropped(percent: float) -> FaultRow:
    return FaultRow(
        fault=f"drop-counts-right={percent:g} %",
        suites=ENCODERS,
        moves=(Moves(measurement="counts_right", truth="counts -p", expected=-percent, unit="%"),),
        stays=("counts_left", "duty_left", "phase_left"),
        fails=("counts_right", "missing_right"),
    )


def _pause(length_ms: float) -> FaultRow:
    gap = 100 * length_ms / PERIOD_MS
    return FaultRow(
        fault=f"loop-pause={length_ms:g} ms",
        suites=TIMING,
        moves=(
            Moves(measurement="longest", truth="gap = T", expected=gap, unit="%", is_level=True),
            Moves(measurement="blind", truth="v T", expected=SPEED_MM_S * length_ms / 1000, unit="mm", is_level=True),
        ),
        stays=("drift",),
        fails=("longest", "missed"),
    )


BENCH_ROWS: tuple[FaultRow, ...] = (
    _duty(60.0),
    _phase(120.0),
    _run_out(0.1),
    _dropped(1.0),
    FaultRow(
        fault="reversed-motor=left",
        suites=ENCODERS,
        moves=(Moves(measurement="direction_left", truth="counts the other way", expected=-2.0, unit=""),),
        stays=("direction_right", "duty_left", "phase_right"),
        fails=("direction_left",),
    ),
    _pause(5.0),
    FaultRow(
        fault="crosstalk=5 %",
        suites=WALLS,
        moves=(Moves(measurement="crosstalk", truth="every reading +5 % of a wall's", expected=5.0, unit="%"),),
        stays=("dark", "noise"),
        fails=("crosstalk",),
    ),
    FaultRow(
        fault="ambient=30 %",
        suites=WALLS,
        moves=(Moves(measurement="dark", truth="dark levels +30 % of full scale", expected=30.0, unit="%"),),
        stays=("left_responds", "front_responds"),
        fails=("dark",),
    ),
    FaultRow(
        fault="swapped-sensors=on",
        suites=WALLS,
        moves=(
            Moves(measurement="left_responds", truth="the other one answers", expected=-1.0, unit=""),
            Moves(measurement="right_responds", truth="the other one answers", expected=-1.0, unit=""),
        ),
        stays=("front_responds", "dark"),
        fails=("left_responds", "right_responds"),
    ),
    FaultRow(
        fault="sensor-gain-left=0.8",
        suites=WALLS,
        moves=(Moves(measurement="left_right", truth="left reads 0.8 of what it did", expected=-20.0, unit="%"),),
        stays=("dark", "noise", "front_responds"),
        fails=("left_right",),
    ),
    FaultRow(
        fault="dead-sensor=wall.right",
        suites=WALLS,
        moves=(Moves(measurement="right_responds", truth="it answers to nothing", expected=-1.0, unit=""),),
        stays=("left_responds", "front_responds"),
        fails=("right_responds",),
    ),
    FaultRow(
        fault="battery-resistance=2 ohm",
        suites=SUPPLY,
        moves=(
            Moves(measurement="resistance", truth="resistance as said", expected=2.0 - BATTERY_OHM, unit="ohm"),
        ),
        stays=("over_stop", "under_full"),
        fails=("resistance_ratio",),
    ),
)  # fmt: skip
