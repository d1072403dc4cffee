"""The truth about one virtual robot, and the table of nominal values it is made from.

Nothing here is known to the tool: it sees the robot file, the port and what a person reads. The numbers are
plausible for an entry robot (plant: a reference robot of 0.15 kg; noises: the middle of what builders report, common
practice, no source) and are not fitted to one robot. They were chosen before the suites were tried.

The sizes in a robot file are those that its owner found by tuning: with them its straights and turns come out right.
The drag of the skid makes the tyres slip a little, so the true wheels are a shade larger and stand a shade closer than
the file says. All errors count from the tuned robot.

Geometry is in mm, mechanics in SI units, shares are plain numbers (1 % is 0.01).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from hil.measure.model import Robot, WallSensor
from hil.simulator.power import Battery, RailTruth, battery_of, rail_of
from hil.simulator.streams import Source, stream

GRAVITY_M_S2 = 9.81


@dataclass(frozen=True, slots=True, kw_only=True)
class Noises:
    """Every standard deviation (`_sd`) and other measure of chance, in one table."""

    wheel_mismatch_sd: float = 0.0005  # share, what is left after the owner's tuning
    mean_diameter_sd: float = 0.0005
    wheel_base_sd: float = 0.002
    walk_per_root_mm: float = 0.01  # each wheel: variance of its slip is this squared times the distance in mm
    sensor_share_sd: float = 0.01  # of the reading, each sample
    sensor_count_sd: float = 0.5  # counts, on lit and dark alike, before rounding
    sensor_gain_sd: float = 0.03  # from one sensor to the next
    panel_offset_sd_mm: float = 0.5  # across the wall, each panel
    panel_gap_max_mm: float = 1.0  # between a panel and its posts, evenly spread from zero
    panel_reflectance_sd: float = 0.02  # each panel and each post
    board_thickness_sd_mm: float = 0.1
    jig_block_sd_mm: float = 0.2  # each distance block of the jig
    jig_angle_sd_deg: float = 0.5  # each board set before a sensor by hand
    encoder_duty_sd: float = 0.01  # of a cycle, from one encoder to the next
    encoder_phase_sd_deg: float = 3.0
    encoder_slot_sd: float = 0.01  # of a cycle, each edge of a slot
    encoder_run_out_sd_mm: float = 0.01
    release_sd_s: float = 8e-6  # of the control loop's beginnings against their timer
    clock_sd: float = 30e-6  # share, how fast a crystal goes from one to the next
    place_lateral_sd_mm: float = 1.0  # by hand
    place_along_sd_mm: float = 1.0
    place_angle_sd_deg: float = 0.5
    rail_bound: float = 0.01  # share by which the divider of the motor rail may be off; resistors of 1 %
    current_bound: float = 0.02  # and the shunt of the battery's current
    ruler_sd_mm: float = 0.5
    stopwatch_sd_s: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Chassis:
    """Body and wheels. The centre of mass lies `caster_share * caster_x_mm` ahead of the axle, as the loads say."""

    body_width_mm: float
    body_front_mm: float
    body_rear_mm: float
    wheel_base_mm: float
    wheel_diameter_left_mm: float
    wheel_diameter_right_mm: float
    mass_kg: float = 0.15
    yaw_inertia_kg_m2: float = 2e-4
    mass_height_mm: float = 12.0
    caster_x_mm: float = -40.0
    caster_share: float = 0.1  # of the weight
    caster_friction: float = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """Motors, gears and tyres, the same left and right but for how the motors are wired."""

    gear: float = 10.0
    motor_constant_v_s: float = 3.5e-3
    motor_resistance_ohm: float = 5.0
    rotor_inertia_kg_m2: float = 5e-8
    wheel_inertia_kg_m2: float = 1e-6
    dry_friction_n_m: float = 1e-3  # at the wheel
    viscous_friction_n_m_s: float = 0.0
    grip: float = 1.0
    tyre_stiffness_n_s_m: float = 25.0
    reversed_left: bool = False  # the wires of the motor
    reversed_right: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorTruth:
    """One wall sensor.

    signal [counts] = gain * drift * mean over the beam of reflectance * cos(incidence) / (distance + offset)^exponent.

    `drift` is how far the gain has moved since the jig was read. A dead sensor reads its dark level, always.
    """

    channel: str
    x_mm: float
    y_mm: float
    angle_rad: float
    gain: float
    drift: float = 1.0
    offset_mm: float = 2.0
    exponent: float = 2.0
    dark_counts: float = 51.0
    half_beam_deg: float = 6.0
    dead: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StrayLight:
    """Light that an emitter throws into a detector within the robot, as a share of the detector's wall reading.

    The wall reading is that at the distance from the wall that the robot file gives for the sensor, or at 49 mm. `own`
    is there in every reading; what there was of it at the calibration is in that already, so it counts what is new.
    `neighbour` is between the two sensors nearest to each other, and between others falls with the square of theirs.
    """

    own: float = 0.0
    neighbour: float = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Light of the room, in shares of the converter's full scale.

    `lamps` is what the usual lamps add, which is in the dark level of every sensor and hardly flickers. `ambient` is
    what other lamps add while they are switched on; the share `flicker` of it comes and goes at 100 Hz. The lit sample
    is taken `lit_after_s` after the dark one.
    """

    lamps: float = 0.02
    ambient: float = 0.0
    flicker: float = 0.1  # as of filament lamps; common practice, no source
    flicker_hz: float = 100.0
    lit_after_s: float = 100e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class EncoderTruth:
    """The disc of one encoder and its outputs A and B.

    An output is high for the share `duty` of a cycle, and B goes high the share `phase` of a cycle after A. Where the
    disc has turned by an angle t, t + run_out / r * sin(t + run_out_at) is read of it, r being the wheel's radius.
    """

    duty: float = 0.5
    phase: float = 0.25
    run_out_mm: float = 0.0
    run_out_at_rad: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoders:
    """Counts per wheel turn, the share of edges that get lost on each side, and the two encoders themselves."""

    counts_per_turn: float
    dropped_left: float = 0.0
    dropped_right: float = 0.0
    left: EncoderTruth = field(default_factory=EncoderTruth)
    right: EncoderTruth = field(default_factory=EncoderTruth)


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareFaults:
    """What is wrong with the firmware: a late front trigger, no front reset, a control loop that stands still."""

    front_trigger_late_mm: float = 0.0
    front_reset: bool = True
    loop_pause_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WireFaults:
    """What is wrong with the line: share of bytes lost, share of bits flipped, when the port goes away and comes back.

    `port_returns_s` is how long after it went a lost port comes back, by the wall's clock (None: it does not).
    """

    lost_bytes: float = 0.0
    flipped_bits: float = 0.0
    port_lost_at_s: float | None = None
    port_returns_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """Every true parameter. `robot` is what the firmware believes; errors are true over believed, as shares.

    `wheel_mismatch` is (right - left) / mean over the believed ratio, `surface_gain` the reflectance of
    the course's walls over that of the jig's. `swapped_sensors` says that the left sensors are plugged in where the
    right ones belong, and the other way round.
    """

    robot: Robot
    seed: int
    chassis: Chassis
    encoders: Encoders
    sensors: tuple[SensorTruth, ...]
    drive: Drive = field(default_factory=Drive)
    battery: Battery = field(default_factory=Battery)
    rail: RailTruth | None = None  # None: the motors run on the battery
    noises: Noises = field(default_factory=Noises)
    firmware: FirmwareFaults = field(default_factory=FirmwareFaults)
    wire: WireFaults = field(default_factory=WireFaults)
    stray: StrayLight = field(default_factory=StrayLight)
    room: Room = field(default_factory=Room)
    wheel_mismatch: float = 0.0
    mean_diameter_error: float = 0.0
    wheel_base_error: float = 0.0
    surface_gain: float = 1.0
    clock_error: float = 0.0  # share, by how much the robot's clock goes too fast
    swapped_sensors: bool = False


# Light of a sensor at 49 mm, as a share of full scale, its dark level not counted. A side sensor stands 49 mm from the
# wall at the centre of a passage and reads about 600 of 1023 there, dark included. A front sensor comes nearer: it is
# set so that a block at 30 mm does not yet saturate it.
_REFERENCE_MM = 49.0
_SIDE_SHARE = 0.537
_FRONT_SHARE = 0.313
_DARK_SHARE = 0.05
_TUNED_QUARTER_S = 0.36  # a quarter turn at 6 rad/s with 0.1 s for its ramps


def exact_truth(robot: Robot, seed: int = 0) -> Truth:
    """Return a robot that is just as its file says, with the nominal noises."""
    sensors = tuple(_sensor(sensor, robot.adc_full_scale) for sensor in robot.sensors)
    drawn = Chassis(
        body_width_mm=robot.body_width_mm,
        body_front_mm=robot.body_front_mm,
        body_rear_mm=robot.body_rear_mm,
        wheel_base_mm=robot.wheel_base_mm,
        wheel_diameter_left_mm=robot.wheel_diameter_left_mm,
        wheel_diameter_right_mm=robot.wheel_diameter_right_mm,
    )
    encoders = Encoders(counts_per_turn=robot.counts_per_turn)
    truth = Truth(
        robot=robot,
        seed=seed,
        chassis=drawn,
        encoders=encoders,
        sensors=sensors,
        battery=battery_of(robot.supply),
        rail=rail_of(robot.supply, None),
    )
    return with_geometry(truth)


def nominal_truth(robot: Robot, seed: int) -> Truth:
    """Return a tuned robot of this kind: what its file says, but for the residuals that its seed draws."""
    truth = exact_truth(robot, seed)
    noises = truth.noises
    unit = stream(seed, Source.UNIT)
    truth = with_geometry(
        truth,
        wheel_mismatch=float(unit.normal(0.0, noises.wheel_mismatch_sd)),
        mean_diameter_error=float(unit.normal(0.0, noises.mean_diameter_sd)),
        wheel_base_error=float(unit.normal(0.0, noises.wheel_base_sd)),
    )
    sensors = tuple(
        replace(sensor, gain=sensor.gain * float(unit.normal(1.0, noises.sensor_gain_sd))) for sensor in truth.sensors
    )
    crystal = float(stream(seed, Source.CRYSTAL).normal(0.0, noises.clock_sd))
    encoders = replace(truth.encoders, left=_drawn_encoder(noises, seed, 0), right=_drawn_encoder(noises, seed, 1))
    rail = rail_of(robot.supply, seed)
    return replace(truth, sensors=sensors, encoders=encoders, rail=rail, clock_error=crystal)


def _drawn_encoder(noises: Noises, seed: int, side: int) -> EncoderTruth:
    """Return an encoder as it was put together; 0 is the left one."""
    unit = stream(seed, Source.ENCODERS, side)
    duty, phase, run_out = unit.standard_normal(3).tolist()
    return EncoderTruth(
        duty=0.5 + noises.encoder_duty_sd * duty,
        phase=0.25 + noises.encoder_phase_sd_deg / 360 * phase,
        run_out_mm=noises.encoder_run_out_sd_mm * abs(run_out),
        run_out_at_rad=float(unit.uniform(0.0, 2 * math.pi)),
    )


def with_geometry(
    truth: Truth,
    *,
    wheel_mismatch: float = 0.0,
    mean_diameter_error: float = 0.0,
    wheel_base_error: float = 0.0,
) -> Truth:
    """Return `truth` with these errors added to those it has; the mismatch is shared evenly by both wheels."""
    mismatch = truth.wheel_mismatch + wheel_mismatch
    mean = truth.mean_diameter_error + mean_diameter_error
    base = truth.wheel_base_error + wheel_base_error
    robot = truth.robot
    straight_slip, pivot_slip = _tuned_slips(truth)
    size = (1 + mean) * (1 + straight_slip)
    chassis = replace(
        truth.chassis,
        wheel_base_mm=robot.wheel_base_mm * (1 + base) * (1 + straight_slip) * (1 - pivot_slip),
        wheel_diameter_left_mm=robot.wheel_diameter_left_mm * size * (1 - mismatch / 2),
        wheel_diameter_right_mm=robot.wheel_diameter_right_mm * size * (1 + mismatch / 2),
    )
    return replace(truth, chassis=chassis, wheel_mismatch=mismatch, mean_diameter_error=mean, wheel_base_error=base)


def _tuned_slips(truth: Truth) -> tuple[float, float]:
    """Return the shares of its travel that a wheel slips under the skid's drag, straight and in a quarter pivot.

    Straight: the drag is borne by two tyres, at the robot's own speed. Pivot: the skid is dragged sideways, its torque
    is borne by the pair of tyres. Slip velocity is force over stiffness (small slip).
    """
    chassis, stiffness = truth.chassis, truth.drive.tyre_stiffness_n_s_m
    drag_n = chassis.caster_friction * chassis.caster_share * chassis.mass_kg * GRAVITY_M_S2
    base_mm = truth.robot.wheel_base_mm
    straight = drag_n / (2 * stiffness) / (truth.robot.speed_mm_s / 1000)
    sideways_n = drag_n * abs(chassis.caster_x_mm) / base_mm
    travel_m = math.pi / 4 * base_mm / 1000
    return straight, sideways_n / stiffness * _TUNED_QUARTER_S / travel_m


def quiet(truth: Truth) -> Truth:
    """Return `truth` without any chance in motion, readings or course; what is left is exact mechanics."""
    silent = replace(
        truth.noises,
        walk_per_root_mm=0.0,
        sensor_share_sd=0.0,
        sensor_count_sd=0.0,
        encoder_slot_sd=0.0,
        release_sd_s=0.0,
        panel_offset_sd_mm=0.0,
        panel_gap_max_mm=0.0,
        panel_reflectance_sd=0.0,
        board_thickness_sd_mm=0.0,
        jig_block_sd_mm=0.0,
        jig_angle_sd_deg=0.0,
        rail_bound=0.0,
        current_bound=0.0,
    )
    return replace(truth, noises=silent)


def _sensor(sensor: WallSensor, full_scale: int) -> SensorTruth:
    offset_mm = 2.0
    looks_ahead = sensor.channel.startswith("wall.front")
    light = (_FRONT_SHARE if looks_ahead else _SIDE_SHARE) * full_scale
    return SensorTruth(
        channel=sensor.channel,
        x_mm=sensor.x_mm,
        y_mm=sensor.y_mm,
        angle_rad=sensor.angle_rad,
        gain=light * (_REFERENCE_MM + offset_mm) ** 2,
        offset_mm=offset_mm,
        dark_counts=_DARK_SHARE * full_scale,
    )
