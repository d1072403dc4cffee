"""The compiled mechanics of the robot: tyres, wheels, motors, battery, skid, and contact with the walls.

SI units throughout. The body moves in its own frame: u forward and w to the left are the velocities of the centre of
mass, omega the turn rate; the pose is that of the middle of the axle. Steps are semi-implicit Euler: velocities
first, then the pose from the new ones. Tyre forces follow a smooth friction circle of the slip velocity, a
simplification of published slip models of wheeled robots; motor current is quasi-static, since its electrical time
constant is a tenth of a step. The same inputs give the same bits.

Contact is a stiff spring with a damper and friction: corners of the body against walls and posts, and free corners of
posts against the sides of the body. Each corner of the body remembers the cell it is in and leaves it through openings
only, so that no speed carries it through a wall.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hil.simulator.compiled import compiled
from hil.simulator.records import Mechanics, State

GRAVITY_M_S2 = 9.81

WALL_SPRING_N_M = 2e5  # a robot of 0.15 kg at 3 m/s sinks in by 2.6 mm, less than half a wall
WALL_DAMPER_N_S_M = 120.0
WALL_FRICTION = 0.3
WALL_RUB_N_S_M = 60.0  # how steeply friction turns round; steeper, a hard knock would chatter from step to step
SLOW_M_S = 0.01  # the velocity over which dry friction of the skid turns round
APART_S = 0.05  # touches closer together than this are one contact
_NORTH, _EAST, _SOUTH, _WEST = 1, 2, 4, 8  # bits of a cell's walls


@compiled
def _tyre(slip_x: float, slip_y: float, most: float, stiffness: float) -> tuple[float, float]:
    """Return the force of a tyre on the body for its slip velocity; `most` is the radius of the friction circle."""
    slip = math.sqrt(slip_x * slip_x + slip_y * slip_y)
    if most <= 0.0:
        return 0.0, 0.0
    if slip < 1e-9:
        return stiffness * slip_x, stiffness * slip_y
    share = most * math.tanh(stiffness * slip / most) / slip
    return share * slip_x, share * slip_y


@compiled
def _push(depth: float, normal_x: float, normal_y: float, velocity_x: float, velocity_y: float) -> tuple[float, float]:
    """Return the force on the body at a point that is `depth` inside something whose normal looks at the body."""
    away = velocity_x * normal_x + velocity_y * normal_y
    along = -velocity_x * normal_y + velocity_y * normal_x
    force = max(0.0, WALL_SPRING_N_M * depth - WALL_DAMPER_N_S_M * away)
    most = WALL_FRICTION * force
    rub = -most * math.tanh(WALL_RUB_N_S_M * along / most) if most > 0.0 else 0.0
    return force * normal_x - rub * normal_y, force * normal_y + rub * normal_x


@compiled
def _follow(
    at: float, cell: int, size: int, pitch: float, walls: int, ahead_bit: int, behind_bit: int
) -> tuple[float, int]:
    """Return a corner's place about its cell's middle and its cell along one axis, gone on through openings only."""
    local = at - cell * pitch
    if local > 0.5 * pitch and not walls & ahead_bit and cell + 1 < size:
        return local - pitch, cell + 1
    if local < -0.5 * pitch and not walls & behind_bit and cell > 0:
        return local + pitch, cell - 1
    return local, cell


@compiled
def _corner_force(
    px: float,
    py: float,
    vx: float,
    vy: float,
    cell: NDArray[np.int64],
    m: Mechanics,
    blocked: NDArray[np.uint8],
    boards: NDArray[np.float64],
    convex: NDArray[np.uint8],
) -> tuple[float, float]:
    """Return the force on one corner of the body at (px, py) that moves at (vx, vy), and keep `cell`, where it is."""
    walls = int(blocked[cell[0], cell[1]])
    x, cell[0] = _follow(px, cell[0], blocked.shape[0], m.pitch, walls, _EAST, _WEST)
    walls = int(blocked[cell[0], cell[1]])
    y, cell[1] = _follow(py, cell[1], blocked.shape[1], m.pitch, walls, _NORTH, _SOUTH)
    walls = int(blocked[cell[0], cell[1]])
    board = boards[cell[0], cell[1]]
    fx, fy = 0.0, 0.0
    for side in range(4):
        sign = 1.0 if side < 2 else -1.0
        if not walls & (1 << side):
            continue
        depth = sign * (y if side % 2 == 0 else x) - m.half_free + board[side]
        if depth > 0.0:
            normal_x, normal_y = (0.0, -sign) if side % 2 == 0 else (-sign, 0.0)
            push_x, push_y = _push(depth, normal_x, normal_y, vx, vy)
            fx, fy = fx + push_x, fy + push_y
    depth_x, depth_y = abs(x) - m.half_free, abs(y) - m.half_free
    if depth_x > 0.0 and depth_y > 0.0:
        # In the square of a post. It pushes only with faces that no panel of this cell covers.
        east, north = x > 0.0, y > 0.0
        i, j = cell[0] + (1 if east else 0), cell[1] + (1 if north else 0)
        facing = (2 if north else 1) if east else (3 if north else 0)
        if convex[i, j] & (1 << facing):
            normal_x, normal_y = (-1.0 if east else 1.0), (-1.0 if north else 1.0)
            if depth_x < depth_y:
                push_x, push_y = _push(depth_x, normal_x, 0.0, vx, vy)
            else:
                push_x, push_y = _push(depth_y, 0.0, normal_y, vx, vy)
            fx, fy = fx + push_x, fy + push_y
    return fx, fy


@compiled
def _post_force(bx: float, by: float, u: float, v: float, omega: float, m: Mechanics) -> tuple[float, float]:
    """Return the force, in the body's frame, of a post's corner at (bx, by) of the body; zero where it is outside.

    `u`, `v` and `omega` are the body's velocities at the axle.
    """
    depth = m.front - bx
    normal_x, normal_y = -1.0, 0.0
    if bx + m.rear < depth:
        depth, normal_x = bx + m.rear, 1.0
    if m.half_width - by < depth:
        depth, normal_x, normal_y = m.half_width - by, 0.0, -1.0
    if by + m.half_width < depth:
        depth, normal_x, normal_y = by + m.half_width, 0.0, 1.0
    if depth <= 0.0:
        return 0.0, 0.0
    return _push(depth, normal_x, normal_y, u - omega * by, v + omega * bx)


@compiled
def _posts(s: State, m: Mechanics, cosine: float, sine: float, convex: NDArray[np.uint8]) -> tuple[float, float, float]:
    """Return force (body's frame) and torque about the axle of the free post corners around the axle's cell."""
    u, v = s.u, s.w - s.omega * m.mass_x
    force_x, force_y, torque = 0.0, 0.0, 0.0
    column, row = math.floor(s.x / m.pitch + 0.5), math.floor(s.y / m.pitch + 0.5)
    for k in range(16):
        i, j, facing = column + (k & 1), row + ((k >> 1) & 1), k >> 2
        if not (0 <= i < convex.shape[0] and 0 <= j < convex.shape[1]) or not convex[i, j] & (1 << facing):
            continue
        to_x = (i - 0.5) * m.pitch + (m.half_wall if facing in (0, 3) else -m.half_wall) - s.x
        to_y = (j - 0.5) * m.pitch + (m.half_wall if facing < 2 else -m.half_wall) - s.y
        bx, by = cosine * to_x + sine * to_y, cosine * to_y - sine * to_x
        fu, fv = _post_force(bx, by, u, v, s.omega, m)
        force_x, force_y, torque = force_x + fu, force_y + fv, torque + bx * fv - by * fu
    return force_x, force_y, torque


@compiled
def _contact(
    s: State,
    m: Mechanics,
    corner_cells: NDArray[np.int64],
    blocked: NDArray[np.uint8],
    boards: NDArray[np.float64],
    convex: NDArray[np.uint8],
) -> tuple[float, float, float]:
    """Return force (body's frame) and torque about the axle that walls and posts put on the body."""
    cosine, sine = math.cos(s.theta), math.sin(s.theta)
    u, v = s.u, s.w - s.omega * m.mass_x  # at the axle
    force_x, force_y, torque = 0.0, 0.0, 0.0
    for k in range(4):
        bx = m.front if k < 2 else -m.rear
        by = m.half_width if k % 2 == 0 else -m.half_width
        pu, pv = u - s.omega * by, v + s.omega * bx
        fx, fy = _corner_force(
            s.x + cosine * bx - sine * by,
            s.y + sine * bx + cosine * by,
            cosine * pu - sine * pv,
            sine * pu + cosine * pv,
            corner_cells[k],
            m,
            blocked,
            boards,
            convex,
        )
        if fx != 0.0 or fy != 0.0:
            fu, fv = cosine * fx + sine * fy, cosine * fy - sine * fx
            force_x, force_y, torque = force_x + fu, force_y + fv, torque + bx * fv - by * fu
    post_x, post_y, post_torque = _posts(s, m, cosine, sine, convex)
    return force_x + post_x, force_y + post_y, torque + post_torque


@compiled
def _supply(s: State, m: Mechanics, duty_left: float, duty_right: float, dt: float) -> tuple[float, float]:
    """Return the motor currents, left and right, and advance the battery by a step.

    A linear regulator draws from the battery what it gives to the motors, and takes nothing back from them: what they
    generate while braking stays in the capacitors of their rail.
    """
    back = m.gear * m.motor_k
    open_v = m.open_v - m.volts_per_coulomb * s.charge - s.slow_v
    pulls = (duty_left * s.wheel_left + duty_right * s.wheel_right) * back / m.motor_r
    draws = (duty_left * duty_left + duty_right * duty_right) / m.motor_r
    if m.regulated == 0:
        s.battery_v = (open_v + m.battery_r * pulls) / (1.0 + m.battery_r * (draws + m.leak))
        s.rail_v = s.battery_v
    else:
        s.battery_v = (open_v - m.battery_r * max(0.0, draws * m.rail_set - pulls)) / (1.0 + m.battery_r * m.leak)
        s.rail_v = m.rail_set
        if s.battery_v - m.dropout < m.rail_set:
            # Solved for battery less dropout, which the same current has pulled down.
            leaking = 1.0 + m.battery_r * m.leak
            under = (open_v - m.dropout * leaking + m.battery_r * pulls) / (leaking + m.battery_r * draws)
            s.rail_v = max(0.0, min(under, open_v - m.dropout))
            s.battery_v = s.rail_v + m.dropout
    left = (duty_left * s.rail_v - back * s.wheel_left) / m.motor_r
    right = (duty_right * s.rail_v - back * s.wheel_right) / m.motor_r
    s.current = duty_left * left + duty_right * right
    if m.regulated != 0:
        s.current = max(0.0, s.current)
    s.current += s.battery_v * m.leak
    s.charge += s.current * dt
    s.slow_v += (m.slow_r * s.current - s.slow_v) * dt / m.slow_time
    return left, right


@compiled
def rest(state: NDArray[np.void], mechanics: NDArray[np.void], dt: float) -> None:
    """Let the battery feed what is clipped across it for `dt` while the motors stand."""
    _supply(state[0], mechanics[0], 0.0, 0.0, dt)


@compiled
def _loads(s: State, m: Mechanics) -> tuple[float, float, float]:
    """Return the loads on left tyre, right tyre and skid, from the accelerations of the last step.

    A skid that trails takes load in acceleration and gives it back in braking; the outer tyre takes from the inner.
    """
    weight = m.mass * GRAVITY_M_S2
    skid = m.caster_share * weight
    if m.caster_x != 0.0:
        skid = min(max(skid - m.mass * s.accelerates * m.mass_height / m.caster_x, 0.0), weight)
    half = 0.5 * (weight - skid)
    aside = m.mass * s.turns_aside * m.mass_height / (2.0 * m.half_base)
    return max(0.0, half - aside), max(0.0, half + aside), skid


@compiled
def _turn_wheels(s: State, m: Mechanics, amps: tuple[float, float], pulls: tuple[float, float], dt: float) -> None:
    """Advance the wheels under motor torque, dry friction that turns round over 1 rad/s, and what the tyres pull."""
    back = m.gear * m.motor_k
    rubs_left = m.dry * math.tanh(s.wheel_left) + m.viscous * s.wheel_left
    rubs_right = m.dry * math.tanh(s.wheel_right) + m.viscous * s.wheel_right
    s.wheel_left += (back * amps[0] - rubs_left - m.radius_left * pulls[0]) / m.spin_inertia * dt
    s.wheel_right += (back * amps[1] - rubs_right - m.radius_right * pulls[1]) / m.spin_inertia * dt
    s.angle_left += s.wheel_left * dt
    s.angle_right += s.wheel_right * dt


@compiled
def _step(
    s: State, m: Mechanics, contact: tuple[float, float, float], duty_left: float, duty_right: float, dt: float
) -> None:
    """Advance battery, wheels, velocities and pose by one step under the forces of contact."""
    amps = _supply(s, m, duty_left, duty_right, dt)
    on_left, on_right, on_skid = _loads(s, m)
    aside = s.w - s.omega * m.mass_x  # at the axle
    slip_left = m.radius_left * s.wheel_left - s.u + s.omega * m.half_base
    slip_right = m.radius_right * s.wheel_right - s.u - s.omega * m.half_base
    left_x, left_y = _tyre(slip_left, -aside, m.grip * on_left, m.stiffness)
    right_x, right_y = _tyre(slip_right, -aside, m.grip * on_right, m.stiffness)
    skid_v = aside + s.omega * m.caster_x
    skids = math.sqrt(s.u * s.u + skid_v * skid_v)
    drag = 0.0 if skids < 1e-9 else -m.caster_friction * on_skid * math.tanh(skids / SLOW_M_S) / skids
    skid_x, skid_y = drag * s.u, drag * skid_v

    s.accelerates = (left_x + right_x + skid_x + contact[0]) / m.mass
    s.turns_aside = (left_y + right_y + skid_y + contact[1]) / m.mass
    twist = (right_x - left_x) * m.half_base - m.mass_x * (left_y + right_y) + (m.caster_x - m.mass_x) * skid_y
    twist += contact[2] - m.mass_x * contact[1]
    u, w = s.u, s.w
    s.u = u + (s.accelerates + w * s.omega) * dt
    s.w = w + (s.turns_aside - u * s.omega) * dt
    s.omega += twist / m.yaw_inertia * dt
    _turn_wheels(s, m, amps, (left_x, right_x), dt)

    # The axle's middle moves along the heading half-way through the step.
    heading = s.theta + 0.5 * s.omega * dt
    aside = s.w - s.omega * m.mass_x
    s.x += (s.u * math.cos(heading) - aside * math.sin(heading)) * dt
    s.y += (s.u * math.sin(heading) + aside * math.cos(heading)) * dt
    s.theta += s.omega * dt


@compiled
def _slip(s: State, m: Mechanics, from_left: float, from_right: float, normals: NDArray[np.float64]) -> None:
    """Move the pose by what the wheels slipped at random: per wheel a variance of walk^2 times the distance rolled."""
    left = m.walk * math.sqrt(abs(s.angle_left - from_left) * m.radius_left) * normals[0]
    right = m.walk * math.sqrt(abs(s.angle_right - from_right) * m.radius_right) * normals[1]
    s.x += 0.5 * (left + right) * math.cos(s.theta)
    s.y += 0.5 * (left + right) * math.sin(s.theta)
    s.theta += (right - left) / (2.0 * m.half_base)


@compiled
def advance(
    state: NDArray[np.void],
    mechanics: NDArray[np.void],
    corner_cells: NDArray[np.int64],
    blocked: NDArray[np.uint8],
    boards: NDArray[np.float64],
    convex: NDArray[np.uint8],
    walk: NDArray[np.float64],
    turns: NDArray[np.float64],
    duty_left: float,
    duty_right: float,
    steps: int,
    dt: float,
) -> None:
    """Advance the robot by `steps` steps of `dt` under constant duties, then let it slip once.

    `walk` (n, 2) holds standard normal numbers; `state` says how many are used. `turns` (steps + 1, 2) takes where the
    wheels stand at the begin and after each step [turns]. On a stand the wheels turn freely and the body rests.
    """
    s, m = state[0], mechanics[0]
    from_left, from_right = s.angle_left, s.angle_right
    turns[0, 0], turns[0, 1] = s.angle_left / (2.0 * math.pi), s.angle_right / (2.0 * math.pi)
    for k in range(steps):
        if s.on_stand != 0:
            _turn_wheels(s, m, _supply(s, m, duty_left, duty_right, dt), (0.0, 0.0), dt)
            turns[k + 1, 0], turns[k + 1, 1] = s.angle_left / (2.0 * math.pi), s.angle_right / (2.0 * math.pi)
            continue
        force_x, force_y, torque = 0.0, 0.0, 0.0
        column, row = math.floor(s.x / m.pitch + 0.5), math.floor(s.y / m.pitch + 0.5)
        off_centre = max(abs(s.x - column * m.pitch), abs(s.y - row * m.pitch))
        inside = 0 <= column < blocked.shape[0] and 0 <= row < blocked.shape[1]
        # In the open middle of a cell nothing can be touched.
        if not inside or off_centre + m.reach > m.half_free - boards[column, row].max():
            force_x, force_y, torque = _contact(s, m, corner_cells, blocked, boards, convex)
        touches = force_x != 0.0 or force_y != 0.0
        if touches and s.touching == 0 and s.quiet_s >= APART_S:
            s.contacts += 1
        s.touching = 1 if touches else 0
        s.quiet_s = 0.0 if touches else s.quiet_s + dt
        _step(s, m, (force_x, force_y, torque), duty_left, duty_right, dt)
        turns[k + 1, 0], turns[k + 1, 1] = s.angle_left / (2.0 * math.pi), s.angle_right / (2.0 * math.pi)
    if m.walk > 0.0 and s.on_stand == 0:
        _slip(s, m, from_left, from_right, walk[s.walk_next])
    s.walk_next += 1
