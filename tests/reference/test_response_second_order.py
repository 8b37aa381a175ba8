"""Step figures and the integrator against the `control` library."""

from __future__ import annotations

import control
import numpy as np
import pytest

from leanmix.machine import demo
from leanmix.response.contact import fixed_for
from leanmix.response.figures import step_figures
from leanmix.response.levers import pushes_mm
from leanmix.response.motion import advance, start_motion
from leanmix.response.state import Course
from leanmix.response.upright import foresee, look_at_balance
from leanmix.response.vehicle import make_vehicle
from leanmix.stance.whole import Force


@pytest.mark.parametrize("zeta", [0.2, 0.5, 0.7])
def test_figures_of_a_second_order_step(zeta: float) -> None:
    w = 40.0
    system = control.tf([w * w], [1, 2 * zeta * w, w * w])
    time = np.linspace(0, 1.2, 24001)
    _, value = control.step_response(system, time)
    published = control.step_info(system, T=time)
    found = step_figures(time, value, steady=1.0)
    assert found is not None
    assert 100 * found.overshoot_share == pytest.approx(published["Overshoot"], abs=1e-3)
    assert found.rise_s == pytest.approx(published["RiseTime"], abs=2e-4)
    assert found.settle_s == pytest.approx(published["SettlingTime"], abs=2e-4)


def test_overshoot_of_half_damping_is_the_identity() -> None:
    # exp(−πζ/√(1−ζ²)) = 16.3034 % at ζ = 0.5
    w, time = 30.0, np.linspace(0, 1.5, 30001)
    wd = w * np.sqrt(0.75)
    value = 1 - np.exp(-0.5 * w * time) * (np.cos(wd * time) + 0.5 * w / wd * np.sin(wd * time))
    found = step_figures(time, value, steady=1.0)
    assert found is not None
    assert 100 * found.overshoot_share == pytest.approx(16.3034, abs=1e-3)


@pytest.mark.parametrize("machine", ["tarn", "wren"])
def test_a_small_kick_swings_as_the_linear_model_says(machine: str) -> None:
    vehicle = make_vehicle(demo(machine).machine)
    none = np.zeros(1)
    course = Course(none, none, none, none + 0.14, none + 0.14, none, none)  # no grip, no drag, no drive
    motion = start_motion(vehicle, course, 1)
    push = pushes_mm(vehicle.levers, np.zeros((1, 1)))
    felt = Force(none, none - 9.80665, none, np.zeros((2, 1)))
    f = look_at_balance(vehicle, motion, felt, push, foresee(vehicle, motion, np.zeros((2, 1)), 0.0))
    (zz, zr, rz, rr), (c_zz, c_zr, c_rr) = ([float(v[0]) for v in part] for part in (f.stiff, f.damp))
    mass, turn = float(vehicle.body.front_mass[0]) * 1e-3, float(vehicle.road.roll_inertia[0]) * 1e3
    stiff, damp = np.array([[zz, zr], [rz, rr]]), np.array([[c_zz, c_zr], [c_zr, c_rr]])
    inverse = np.diag([1 / mass, 1 / turn])
    a = np.block([[np.zeros((2, 2)), np.eye(2)], [-inverse @ stiff, -inverse @ damp]])
    system = control.ss(a, np.zeros((4, 1)), np.eye(4), np.zeros((4, 1)))
    step, steps = 0.002, 250
    kick = np.array([0.0, 0.0, 2.0, 0.02])
    _, published = control.initial_response(system, np.arange(steps + 1) * step, kick)

    motion.rise_rate, motion.roll_rate = none + kick[2], none + kick[3]
    rise, roll = float(motion.rise[0]), float(motion.roll[0])
    fixed = fixed_for(vehicle, course, step)
    found = [(0.0, 0.0)]
    for _ in range(steps):
        advance(vehicle, fixed, motion, none, push, np.zeros((2, 1)))
        found.append((float(motion.rise[0]) - rise, float(motion.roll[0]) - roll))
    for row in range(2):
        size = np.abs(published[row]).max()
        assert np.abs(np.array(found)[:, row] - published[row]).max() < 0.02 * size
