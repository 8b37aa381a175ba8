"""The machine as the balance needs it: plain arrays, both sides as the leading axis.

Modelled as follows (design §6). The chassis rolls, and its front heaves over the runners while the rear's pivot
stays at its height: it pitches about that pivot, and the balance along the machine parts the weight. Sprung weight: the whole machine's less the rear's and
both sides' unsprung weight. Unsprung weight sits straight above the contact: at a wheel's centre, or for a ski
half as high as the lower ball. The rear's own weight sits over its support.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import (
    Array,
    SideGeometry,
    Value,
    runner_loads_at_rest_N,
    side_geometry,
    spring_preload_N,
)
from leanmix.machine import Machine, Numbers, values
from leanmix.stance.march import find_rest
from leanmix.stance.rig import STOP_N_PER_MM, Body, BodyRows, Side, Sides
from leanmix.stops import DroopTouch, droop_touches

Vectors = NDArray[np.complex128]

__all__ = ["STOP_N_PER_MM", "Body", "Setup", "Sides", "stance_setup"]

# how near in line upright and upper arm may come before the arms count as locked
IN_LINE_SHARE = 2e-3

WIDEST_DROOP_RAD = 1.3


@dataclass(frozen=True, slots=True)
class Setup:
    """A machine (or many builds of it) ready to be balanced; made by `stance_setup`.

    Attributes
    ----------
    machine : Machine
        The machine it was made from.
    numbers : Numbers
        The numbers it was made from.
    geometry : tuple of SideGeometry
        Left, right.
    sides : Sides
        Suspension.
    body : Body
        Weight and rear.
    builds : int
        How many builds; 1 for scalar numbers.
    scalar : bool
        Whether the numbers were scalars, so that results carry no builds axis.
    usable : ndarray of bool, shape (builds,)
        False where a build cannot be assembled.
    rest : ndarray, shape (4, builds)
        Heave [mm], roll [rad] and both droops [rad] standing with the arm centred.
    rest_grounded : ndarray of bool, shape (2, builds)
        Which runners stand on the road there.
    """

    machine: Machine
    numbers: Numbers
    geometry: tuple[SideGeometry, SideGeometry]
    sides: Sides
    body: Body
    builds: int
    scalar: bool
    usable: NDArray[np.bool_]
    rest: Array = field(repr=False)
    rest_grounded: NDArray[np.bool_] = field(repr=False)


def _droop_range(arm: Vectors, to_pivot: Vectors, upright: Array, upper: Array) -> tuple[Array, Array]:
    """Droop between which the arms can be assembled, a little short of upright and upper arm in line [rad]."""
    a, w = np.abs(arm), np.abs(to_pivot)
    now = np.angle(to_pivot.conj() * arm)
    near = np.abs(upright - upper) * (1 + IN_LINE_SHARE)
    far = (upright + upper) * (1 - IN_LINE_SHARE)
    with np.errstate(invalid="ignore", divide="ignore"):
        cos_near = (w**2 + a**2 - near**2) / (2 * w * a)
        cos_far = (w**2 + a**2 - far**2) / (2 * w * a)
    wide = np.arccos(np.clip(cos_far, -1, 1))
    narrow = np.where(cos_near >= 1, -wide, np.arccos(np.clip(cos_near, -1, 1)))
    size, rising = np.abs(now), now >= 0
    first = np.where(rising, size - wide, narrow - size)
    last = np.where(rising, size - narrow, wide - size)
    return np.maximum(first, -WIDEST_DROOP_RAD), np.minimum(last, WIDEST_DROOP_RAD)


def _stack(values: Iterable[Value], builds: int) -> Array:
    rows = list(values)
    table = np.empty((len(rows), builds))
    for row, value in zip(table, rows, strict=True):
        row[:] = value
    return table


def _sides(
    setups: tuple[SideGeometry, SideGeometry],
    preload: Array,
    touches: tuple[DroopTouch, DroopTouch],
    wheel: bool,
    rear_pivot_up: Value,
    builds: int,
) -> Sides:
    def both(name: str) -> Array:
        return _stack((getattr(g, name) for g in setups), builds)

    def spot(name: str) -> Vectors:
        spots = [getattr(g, name) for g in setups]
        return _stack((p.out for p in spots), builds) + 1j * _stack((p.up for p in spots), builds)

    lower_pivot, upper_pivot, lower_ball = spot("lower_pivot"), spot("upper_pivot"), spot("lower_ball")
    arm, upright = lower_ball - lower_pivot, spot("upper_ball") - lower_ball
    to_upper = upper_pivot - lower_pivot
    contact = spot("contact") - lower_ball
    mass = contact + 1j * (both("runner_radius_mm") if wheel else -contact.imag / 2)
    on_upper = both("shock_on_upper")
    eye = spot("shock_eye")
    eye = np.where(on_upper > 0, (eye - upper_pivot) / (spot("upper_ball") - upper_pivot), (eye - lower_pivot) / arm)
    upright_mm, upper_mm = both("upright_mm"), both("upper_arm_mm")
    droop_min, droop_max = _droop_range(arm, to_upper, upright_mm, upper_mm)
    rate, longest = both("rate_N_per_mm"), both("length_max_mm")
    arm_sq = np.abs(arm) ** 2
    touch_low_lever = _stack((t.down_mm_per_rad for t in touches), builds)
    touch_high_lever = _stack((t.up_mm_per_rad for t in touches), builds)
    between = 2 * to_upper.conj() * arm
    contact, mass = contact / upright, mass / upright
    from_axis, mount, down = lower_pivot - 1j * np.asarray(rear_pivot_up), spot("eye"), spot("guide_down")
    side = Side(
        rate=rate,
        slack=longest + preload / rate,
        longest=longest,
        shortest=both("length_min_mm"),
        unsprung=both("unsprung_g") * 1e-3,
        droop_min=droop_min,
        droop_max=droop_max,
        touch_low=_stack((t.down_rad for t in touches), builds),
        touch_high=_stack((t.up_rad for t in touches), builds),
        touch_low_N_mm=STOP_N_PER_MM * touch_low_lever**2,
        touch_high_N_mm=STOP_N_PER_MM * touch_high_lever**2,
        apart_sq=np.abs(to_upper) ** 2 + arm_sq,
        circle=(upright_mm - upper_mm) * (upright_mm + upper_mm),
        upright_sq=upright_mm**2,
        branch=both("fourbar_branch"),
        eye_sq=np.abs(eye * np.where(on_upper > 0, upper_mm, np.abs(arm))) ** 2,
        on_upper=on_upper,
        damping=both("damping_N_s_per_mm"),
        twice_arm_sq=2 * arm_sq,
        arm_out=arm.real,
        arm_up=arm.imag,
        to_upper_out=to_upper.real,
        to_upper_up=to_upper.imag,
        between_out=between.real,
        between_up=between.imag,
        contact_out=contact.real,
        contact_up=contact.imag,
        mass_out=mass.real,
        mass_up=mass.imag,
        eye_out=eye.real,
        eye_up=eye.imag,
        from_axis_out=from_axis.real,
        from_axis_up=from_axis.imag,
        lower_pivot_out=lower_pivot.real,
        lower_pivot_up=lower_pivot.imag,
        upper_pivot_out=upper_pivot.real,
        upper_pivot_up=upper_pivot.imag,
        mount_out=mount.real,
        mount_up=mount.imag,
        down_out=down.real,
        down_up=down.imag,
    )
    return Sides.of(np.stack(side), bool(on_upper.any()))


def _body(numbers: Numbers, sides: Sides, mass_out: Array, mass_up: Array, builds: int, *, pitch: bool) -> Body:
    def number(key: str) -> Array:
        return np.broadcast_to(np.asarray(numbers[key], dtype=np.float64), (builds,))

    whole, rear = number("chassis.mass_g") * 1e-3, number("rear.mass_g") * 1e-3
    support = number("rear.load_behind_mm")
    mass = whole - rear - sides.unsprung.sum(axis=0)
    behind = (whole * number("chassis.cg_behind_mm") - rear * support) / mass
    left = (
        whole * number("chassis.cg_left_mm") - sides.unsprung[0] * mass_out[0] + sides.unsprung[1] * mass_out[1]
    ) / mass
    rear_up = number("rear.mass_up_mm")
    up = (whole * number("chassis.cg_up_mm") - rear * rear_up - (sides.unsprung * mass_up).sum(axis=0)) / mass
    share, pivot = behind / support, number("rear.pivot_up_mm")
    side_mass = sides.unsprung.sum(axis=0)
    rows = BodyRows(
        mass=mass,
        behind_share=share,
        per_lever=1 / support if pitch else np.zeros(builds),
        left=left,
        up=up,
        front_mass=mass * (1 - share) + side_mass,
        side_mass=side_mass,
        pivot=pivot,
        half_width=number("rear.half_width_mm"),
        roll_stiffness=number("rear.roll_stiffness_N_m_per_rad") * 1e3,
        rear_mass=rear,
        rear_mass_up=rear_up,
        arm_up=up - pivot,
    )
    return Body.of(np.stack(rows))


def stance_setup(machine: Machine, numbers: Numbers | None = None, *, pitch: bool = True) -> Setup:
    """Make a machine ready to be balanced.

    Parameters
    ----------
    machine : Machine
        For what is not a number.
    numbers : Numbers, optional
        Numbers to use, scalar or (builds,); the machine's own without it.
    pitch : bool
        False: the front view alone, as if the rear were far behind: its front heaves, but its nose does not rise.

    Returns
    -------
    Setup
        With a preload found for each side where the file gives none, so that it stands as measured.

    Raises
    ------
    GeometryError
        When a machine given by scalar numbers cannot be assembled at neutral.
    """
    numbers = values(machine) if numbers is None else numbers
    sizes = {np.size(v) for v in numbers.values() if np.ndim(v)}
    builds = max(sizes, default=1)
    geometry = left, right = (side_geometry(machine, numbers, "left"), side_geometry(machine, numbers, "right"))
    loads = runner_loads_at_rest_N(numbers)
    preload = _stack((spring_preload_N(g, numbers, n) for g, n in zip(geometry, loads, strict=True)), builds)
    wheel = machine.runner.kind == "wheel"
    sides = _sides(geometry, preload, droop_touches(machine, numbers), wheel, numbers["rear.pivot_up_mm"], builds)
    mass_out = _stack((left.contact.out, right.contact.out), builds)
    contact_up = _stack((left.contact.up, right.contact.up), builds)
    ball_up = _stack((left.lower_ball.up, right.lower_ball.up), builds)
    radius = _stack((left.runner_radius_mm, right.runner_radius_mm), builds)
    mass_up = contact_up + (radius if wheel else (ball_up - contact_up) / 2)
    body = _body(numbers, sides, mass_out, mass_up, builds, pitch=pitch)
    push = _stack((left.push_neutral_mm, right.push_neutral_mm), builds)
    as_measured = sides.longest + (
        _stack((_found_preload(g, numbers, n) for g, n in zip(geometry, loads, strict=True)), builds) / sides.rate
    )
    rest, rest_grounded, usable = find_rest(sides, body, as_measured, push)
    return Setup(
        machine=machine,
        numbers=numbers,
        geometry=geometry,
        sides=sides,
        body=body,
        builds=builds,
        scalar=not sizes,
        usable=usable & np.isfinite(push).all(axis=0),
        rest=rest,
        rest_grounded=rest_grounded,
    )


def _found_preload(geo: SideGeometry, numbers: Numbers, load_N: Array) -> Array:
    given = f"{geo.side}.shock.preload_N"
    return spring_preload_N(geo, Numbers({k: v for k, v in numbers.items() if k != given}), load_N)
