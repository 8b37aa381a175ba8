"""A machine made ready to be driven: stance's springs, the linkage's mounts, weights and servos, one build a run.

Lengths are mm in the front view (as in stance) and m along and across the road; masses kg, forces N.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from leanmix.errors import NoAnswer
from leanmix.linkage import Array, ServoLine, servo_line
from leanmix.machine import Machine, Numbers, values
from leanmix.response.levers import Levers, arm_levers
from leanmix.response.planar import track_shares
from leanmix.response.servo import Plugs, servo_plugs
from leanmix.stance import Setup, stance_setup
from leanmix.stance.setup import Body, Sides

__all__ = ["Vehicle", "make_vehicle", "take_vehicles"]

# The ground renews a contact's bristles over about half its length; over more than this it is worn in anyway.
LONGEST_RELAX_M = 0.03
WHEEL_PATCH_SHARE = 0.2  # half of a small tyre's patch over its radius; an estimate


@dataclass(frozen=True, slots=True)
class Road:
    """The machine from above; shape (runs,) or (1,) unless said otherwise.

    Attributes
    ----------
    mass, yaw_inertia, roll_inertia
        kg; kg m² about the balance point.
    ahead, behind, cg_up
        Runners' contacts ahead of the balance point, rear's support behind it, its height [m].
    gauge
        Between the runners' contacts at neutral [m].
    rear_at, rear_share : ndarray, shape (places, runs)
        Places of the rear's contact ahead of the balance point [m], and their shares of its load.
    lock_left, lock_right
        Mean runner angle at full lock [rad].
    ackermann, toe_out
        See `runner_angles_rad` [–, rad each].
    relax_runner, relax_rear
        Relaxation lengths [m].
    steer_speed
        Steering servo at the runners [rad/s].
    sway
        How far the whole balance point moves to the left per rad of roll about the rear's pivot [m].
    """

    mass: Array
    yaw_inertia: Array
    roll_inertia: Array
    ahead: Array
    behind: Array
    cg_up: Array
    gauge: Array
    rear_at: Array
    rear_share: Array
    lock_left: Array
    lock_right: Array
    ackermann: Array
    toe_out: Array
    relax_runner: Array
    relax_rear: Array
    steer_speed: Array
    sway: Array


@dataclass(frozen=True, slots=True)
class Pulse:
    """What the receiver sends [1/8 µs], shape (runs,) or (1,)."""

    left: Array
    neutral: Array
    right: Array


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One machine, or one for each run.

    Attributes
    ----------
    machine : Machine
        For what is not a number; alike in all builds.
    sides, body : Sides, Body
        Stance's springs and weights.
    rest : ndarray, shape (4, runs) or (4, 1)
        Heave [mm], roll [rad] and both droops [rad] at rest.
    road, pulse, line, plugs, levers
        From above; the receiver; the servo's motor line; its calibration; arm, link and guide.
    steer_frame_ms, servo_frame_ms : float
        Frames of receiver and servo.
    """

    machine: Machine
    sides: Sides
    body: Body
    rest: Array
    road: Road
    pulse: Pulse
    line: ServoLine
    plugs: Plugs
    levers: Levers
    steer_frame_ms: float
    servo_frame_ms: float


def _row(value: object) -> Array:
    return np.atleast_1d(np.asarray(value, dtype=np.float64))


def _half_length_m(kind: str, length_mm: float, radius_mm: float) -> float:
    half = WHEEL_PATCH_SHARE * radius_mm if kind == "wheel" else length_mm / 2
    return float(np.clip(half * 1e-3, 0.002, LONGEST_RELAX_M))


def _road(machine: Machine, n: Numbers, setup: Setup) -> Road:
    mass = float(n["chassis.mass_g"]) * 1e-3
    support, behind = float(n["rear.load_behind_mm"]) * 1e-3, float(n["chassis.cg_behind_mm"]) * 1e-3
    gauge = (float(n["left.suspension.contact.out_mm"]) + float(n["right.suspension.contact.out_mm"])) * 1e-3
    roof = float(n["chassis.roof_up_mm"]) * 1e-3
    long = max(float(n["rear.contact_rear_behind_mm"]), float(n["rear.load_behind_mm"])) * 1e-3
    # a box of the machine's size, evenly filled
    roll = mass * (gauge**2 + roof**2) / 12
    yaw = mass * (long**2 + gauge**2) / 12
    roll = float(n["chassis.roll_inertia_kg_mm2"]) * 1e-6 if "chassis.roll_inertia_kg_mm2" in n else roll
    yaw = float(n["chassis.yaw_inertia_kg_mm2"]) * 1e-6 if "chassis.yaw_inertia_kg_mm2" in n else yaw
    places, shares = track_shares(
        float(n["rear.contact_front_behind_mm"]) * 1e-3, float(n["rear.contact_rear_behind_mm"]) * 1e-3, support
    )
    body, sides = setup.body, setup.sides
    sway = body.mass * (body.pivot - body.up)
    for row, geo in enumerate(setup.geometry):
        # where stance puts the unsprung weight: a wheel's centre, a ski's half way up to the lower ball
        wheel = machine.runner.kind == "wheel"
        up = geo.contact.up + geo.runner_radius_mm if wheel else (geo.contact.up + geo.lower_ball.up) / 2
        sway = sway + sides.unsprung[row] * (body.pivot - up)
    rear_half = (
        0.0
        if machine.rear.kind == "wheel"
        else float(n["rear.contact_rear_behind_mm"]) - float(n["rear.contact_front_behind_mm"])
    )
    toe = np.arcsin(np.clip(float(n["runner.toe_out_mm"]) / 2 / float(n["runner.length_mm"]), -0.5, 0.5))
    return Road(
        mass=_row(mass),
        yaw_inertia=_row(yaw),
        roll_inertia=_row(roll),
        ahead=_row(behind),
        behind=_row(support - behind),
        cg_up=_row(float(n["chassis.cg_up_mm"]) * 1e-3),
        gauge=_row(gauge),
        rear_at=(behind - places)[:, None],
        rear_share=shares[:, None],
        lock_left=_row(np.deg2rad(n["runner.steer_left_deg"])),
        lock_right=_row(np.deg2rad(n["runner.steer_right_deg"])),
        ackermann=_row(n["runner.ackermann"]),
        toe_out=_row(toe),
        relax_runner=_row(
            _half_length_m(machine.runner.kind, float(n["runner.length_mm"]), float(n["runner.radius_mm"]))
        ),
        relax_rear=_row(_half_length_m(machine.rear.kind, rear_half, float(n["rear.pivot_up_mm"]))),
        steer_speed=_row(np.deg2rad(n["steering.speed_deg_per_s"])),
        sway=sway / mass * 1e-3,
    )


def make_vehicle(machine: Machine, numbers: Numbers | None = None, *, cold: bool = False) -> Vehicle:
    """Make one machine ready to be driven.

    Parameters
    ----------
    machine : Machine
        For what is not a number.
    numbers : Numbers, optional
        Scalar numbers to use; the machine's own without it.
    cold : bool
        Servo voltage with the cold battery's sag taken off.

    Raises
    ------
    GeometryError
        When it cannot be assembled at neutral.
    NoAnswer
        When it does not stand on its springs with the arm centred.
    """
    n = values(machine) if numbers is None else numbers
    setup = stance_setup(machine, n)
    if not setup.usable.all():
        raise NoAnswer(
            "The machine does not stand with the arm centred, so it cannot be driven.",
            "See the stance command; check weights, springs and shock lengths.",
        )
    eighths = {k: _row(8.0 * float(n[f"steering.pulse_{k}_us"])) for k in ("left", "neutral", "right")}
    line = servo_line(n, cold=cold)
    return Vehicle(
        machine=machine,
        sides=setup.sides,
        body=setup.body,
        rest=setup.rest,
        road=_road(machine, n, setup),
        pulse=Pulse(**eighths),
        line=line,
        plugs=servo_plugs(machine, n),
        levers=arm_levers(machine, n, setup),
        steer_frame_ms=float(n["steering.frame_ms"]),
        servo_frame_ms=float(n["servo.frame_ms"]),
    )


def _taken(parts: list[object], index: NDArray[np.intp]) -> dict[str, object]:
    """Fields of like dataclasses put side by side along the last axis and picked out; what is no array must agree."""
    out: dict[str, object] = {}
    for f in fields(parts[0]):  # type: ignore[arg-type]
        held = [getattr(p, f.name) for p in parts]
        if held[0] is None or isinstance(held[0], (bool, str)):
            out[f.name] = held[0]
        else:
            out[f.name] = np.concatenate([np.atleast_1d(v) for v in held], axis=-1)[..., index]
    return out


def take_vehicles(vehicles: list[Vehicle], index: NDArray[np.intp]) -> Vehicle:
    """One vehicle a run: ``vehicles[index[run]]``.

    Raises
    ------
    NoAnswer
        When the vehicles differ in what is not a number: frames, servos, which arm carries the shock.
    """
    first = vehicles[0]
    if len(vehicles) == 1:
        return first

    def kind(v: Vehicle) -> tuple[object, ...]:
        return (v.steer_frame_ms, v.servo_frame_ms, v.machine.servo.arrangement, len(v.road.rear_at))

    if any(kind(v) != kind(first) for v in vehicles):
        raise NoAnswer(
            "These machines cannot be driven together: their servos or frames differ in kind.", "Drive them one by one."
        )

    def table(name: str) -> Array:
        return np.concatenate([getattr(v, name).table for v in vehicles], axis=-1).take(index, axis=-1)

    def part(name: str) -> dict[str, object]:
        return _taken([getattr(v, name) for v in vehicles], index)

    return Vehicle(
        machine=first.machine,
        sides=Sides.of(table("sides"), any(v.sides.any_on_upper for v in vehicles)),
        body=Body.of(table("body")),
        rest=np.concatenate([v.rest for v in vehicles], axis=-1)[..., index],
        road=Road(**part("road")),  # type: ignore[arg-type]
        pulse=Pulse(**part("pulse")),  # type: ignore[arg-type]
        line=ServoLine(**part("line")),  # type: ignore[arg-type]
        plugs=Plugs(**part("plugs")),  # type: ignore[arg-type]
        levers=Levers(**part("levers")),  # type: ignore[arg-type]
        steer_frame_ms=first.steer_frame_ms,
        servo_frame_ms=first.servo_frame_ms,
    )
