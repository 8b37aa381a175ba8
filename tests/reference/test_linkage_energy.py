"""Servo torque against work: the springs' energy without friction, the power balance with it.

The energy is written from the file alone, in complex numbers: the derivative is the imaginary part of an energy at a
throw moved by 1e-30 i, which has no truncation and no cancellation.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from leanmix.linkage import SIDES, Spot, mount_pose, servo_load, shock_length, side_geometry, tip_up_rad
from leanmix.machine import DEMOS, demo, values
from leanmix.stops import parked_balance
from sims.reference.plain_file import at, point, read, spring

THROWS_DEG = np.arange(-50.0, 51.0, 5.0)
TINY = 1e-30


def push(side: dict[str, Any], sign: float, throw: complex) -> complex:
    """Mount down its guide [mm] for a throw in complex numbers, by Newton's method from where it was measured."""
    arm, cant = side["arm"], np.radians(at(side["guide"].get("cant_deg", 0)))
    outward = 1.0 if arm.get("points", "out") == "out" else -1.0
    rest, radius, offset = (
        np.radians(at(arm.get("rest_deg", 0))),
        at(arm["radius_mm"]),
        at(arm.get("offset_behind_mm", 0)),
    )
    centre, ball = point(arm["centre"]), point(side["mount"]["ball"])
    down = np.array([np.sin(cant), -np.cos(cant)])

    def gap(p: complex, angle: complex) -> np.ndarray:
        tip = centre + radius * np.array([outward * np.cos(rest + angle), np.sin(rest + angle)])
        return ball + p * down - tip

    given = side.get("link", {}).get("length_mm")
    flat = at(given) ** 2 - offset**2 if given is not None else float(np.sum(gap(0.0, 0.0).real ** 2))
    p: complex = 0.0
    # walk there, so that Newton stays on neutral's side
    for share in np.linspace(0.05, 1.0, 20):
        for _ in range(8):
            r = gap(p, sign * throw * share)
            p -= (r @ r - flat) / (2 * r @ down)
    return p


def spring_energy(plain: dict[str, Any], side: str, droop: float, throw: complex) -> complex:
    """Energy stored in one side's spring [N mm] at a throw, its suspension held still."""
    s, figures = plain[side], spring(plain, side)
    cant = np.radians(at(s["guide"].get("cant_deg", 0)))
    down = np.array([np.sin(cant), -np.cos(cant)])
    top = point(s["mount"]["eye"]) + push(s, 1.0 if side == "left" else -1.0, throw) * down
    pivot, eye = point(s["suspension"]["lower_pivot"]), point(s["shock"]["lower_eye"])
    c, sn = np.cos(-droop), np.sin(-droop)
    arm = eye - pivot
    low = pivot + np.array([c * arm[0] - sn * arm[1], sn * arm[0] + c * arm[1]])
    length = np.sqrt((top - low) @ (top - low))
    return 0.5 * figures["rate"] * (figures["slack"] - length) ** 2


@pytest.mark.parametrize("name", DEMOS)
def test_torque_without_friction_is_the_change_of_the_springs_energy(name: str) -> None:
    file = demo(name)
    plain, numbers = read(file.text), values(file.machine)
    left, right = (side_geometry(file.machine, numbers, side) for side in SIDES)
    throws = np.deg2rad(THROWS_DEG)
    states = parked_balance(file.machine, numbers)(throws)
    droops = {"left": states.droop_left_rad, "right": states.droop_right_rad}
    load = servo_load(
        file.machine,
        left,
        right,
        throws,
        (states.shock_left_N, line(left, throws, droops["left"])),
        (states.shock_right_N, line(right, throws, droops["right"])),
        way=1.0,
        friction=(0.0, 0.0),
    )
    double = file.machine.servo.arrangement == "double_arm"
    for i, throw in enumerate(throws):
        slopes = {
            side: spring_energy(plain, side, float(droops[side][i]), complex(throw, TINY)).imag / TINY for side in SIDES
        }
        wanted = [sum(slopes.values())] if double else [slopes["left"], slopes["right"]]
        # the double arm's two halves nearly cancel, so the torque is measured against what each half carries
        scale = max(abs(v) for v in slopes.values())
        for ours, theirs in zip(load.torque_N_mm, wanted, strict=True):
            assert ours[i] == pytest.approx(theirs, rel=1e-9, abs=1e-9 * scale), (name, THROWS_DEG[i])


def line(geo: Any, throws: np.ndarray, droops: np.ndarray) -> Spot:
    return shock_length(geo, mount_pose(geo, tip_up_rad(throws, geo.side)).push_mm, droops).along


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize("name", DEMOS)
def test_power_in_is_power_into_springs_and_friction(name: str, way: float) -> None:
    file = demo(name)
    plain, numbers = read(file.text), values(file.machine)
    left, right = (side_geometry(file.machine, numbers, side) for side in SIDES)
    throws = np.deg2rad(THROWS_DEG)
    states = parked_balance(file.machine, numbers)(throws)
    droops = {"left": states.droop_left_rad, "right": states.droop_right_rad}
    load = servo_load(
        file.machine,
        left,
        right,
        throws,
        (states.shock_left_N, line(left, throws, droops["left"])),
        (states.shock_right_N, line(right, throws, droops["right"])),
        way=way,
    )
    given = np.sum(np.stack(load.torque_N_mm), axis=0)
    compared = 0
    for i, throw in enumerate(throws):
        if not np.isfinite(given[i]):
            continue
        stored = wasted = 0.0
        for side, forces in (("left", load.left), ("right", load.right)):
            stored += way * spring_energy(plain, side, float(droops[side][i]), complex(throw, TINY)).imag / TINY
            sign = 1.0 if side == "left" else -1.0
            speed = push(plain[side], sign, complex(throw, TINY)).imag / TINY
            mu = at(plain[side]["guide"]["friction"])
            ends = (forces.upper_end_N, forces.lower_end_N, forces.upper_end_behind_N, forces.lower_end_behind_N)
            wasted += mu * sum(abs(float(e[i])) for e in ends) * abs(speed)
        compared += 1
        assert wasted > 0
        assert given[i] == pytest.approx(stored + wasted, rel=1e-9, abs=1e-9 * wasted), (name, THROWS_DEG[i])
    assert compared >= 15
