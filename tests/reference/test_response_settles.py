"""The machine in time comes to rest where stance says, and tips where stance says."""

from __future__ import annotations

import numpy as np
import pytest

from leanmix.machine import Machine, demo, parse, set_value
from leanmix.response.contact import fixed_for
from leanmix.response.levers import pushes_mm
from leanmix.response.manoeuvre import load_manoeuvre
from leanmix.response.motion import advance, start_motion
from leanmix.response.servo import servo_start
from leanmix.response.state import Course, Motion
from leanmix.response.vehicle import Vehicle, make_vehicle
from leanmix.response.watch import watch_result, watch_start, watch_step
from leanmix.stance import Stance, balance, stance_setup

STEP_S = 0.005
# grips early: a turn's side-slip then hardly turns its acceleration forwards, which stance takes to be sideways
SLIDE = 0.04


def plain(name: str) -> Machine:
    """A demo machine as stance takes it: runners straight and parallel, the rear's side force at one place.

    Toe, and a track that resists yaw along its length, change who carries the side force; stance parts it as the loads.
    """
    source = demo(name)
    text = source.text
    for key in ("runner.toe_out_mm", "runner.ackermann"):
        text = set_value(text, key, 0.0)
    for key in ("rear.contact_front_behind_mm", "rear.contact_rear_behind_mm"):
        text = set_value(text, key, source.machine.rear.load_behind_mm.at)
    return parse(text).machine


def course(runs: int, speed: float, grip: float, bank_deg: float = 0.0) -> Course:
    one = np.ones(1)
    return Course(grip * one, 0 * one, np.deg2rad(bank_deg) * one, SLIDE * one, SLIDE * one, speed * np.ones(runs), one)


def settled(vehicle: Vehicle, on: Course, throw_deg: np.ndarray, steer: np.ndarray, seconds: float) -> Motion:
    n = len(throw_deg)
    motion, fixed = start_motion(vehicle, on, n), fixed_for(vehicle, on, STEP_S)
    full = pushes_mm(vehicle.levers, np.deg2rad(throw_deg)[None])
    start = pushes_mm(vehicle.levers, np.zeros((1, n)))
    still = np.zeros((2, n))
    for k in range(int(seconds / STEP_S)):
        share = min(1.0, (k + 1) * STEP_S / 0.4)
        advance(vehicle, fixed, motion, steer * share, start + share * (full - start), still)
    return motion


def compare(motion: Motion, stance: Stance) -> None:
    assert stance.ok.all()
    assert -np.rad2deg(motion.roll) == pytest.approx(stance.lean_deg, abs=0.02)
    assert motion.load[0] == pytest.approx(stance.runner_load_left_N, abs=0.02)
    assert motion.load[1] == pytest.approx(stance.runner_load_right_N, abs=0.02)


@pytest.mark.parametrize("name", ["tarn", "wren", "moss"])
def test_standing_at_any_throw(name: str) -> None:
    vehicle, setup = make_vehicle(plain(name)), stance_setup(plain(name))
    throw = np.linspace(-20.0, 20.0, 9)
    compare(settled(vehicle, course(9, 0.0, 0.0), throw, np.zeros(9), 3.0), balance(setup, throw))


@pytest.mark.parametrize("name", ["tarn", "wren"])
def test_fast_wide_turns_with_lean(name: str) -> None:
    # wide and fast, so that both runners slip alike, as stance takes them to
    vehicle, setup = make_vehicle(plain(name)), stance_setup(plain(name))
    most = 0.5 if name == "tarn" else 0.35
    throw, steer = np.array([-8.0, 0.0, 8.0, 8.0, 0.0]), np.deg2rad(most) * np.array([0.7, 1.0, 0.7, -0.7, -1.0])
    motion = settled(vehicle, course(5, 12.0, 1.2), throw, steer, 5.0)
    assert np.abs(motion.lateral_g).min() > 0.2
    compare(motion, balance(setup, throw, motion.lateral_g))


@pytest.mark.parametrize("name", ["tarn", "wren"])
def test_straight_across_a_slope(name: str) -> None:
    vehicle, setup = make_vehicle(plain(name)), stance_setup(plain(name))
    throw = np.array([-10.0, 0.0, 10.0])
    motion = settled(vehicle, course(3, 6.0, 0.9, bank_deg=6.0), throw, np.zeros(3), 5.0)
    turn_g = motion.u * motion.yaw_rate / 9.80665 / np.cos(np.deg2rad(6.0))
    assert np.abs(turn_g).max() < 0.1
    compare(motion, balance(setup, throw, turn_g, 6.0))


def fold_g(name: str, throw_deg: float) -> float:
    """Lateral g at which stance no longer finds a balance, turning left."""
    setup = stance_setup(plain(name))
    g = np.arange(0.3, 1.5, 0.001)
    gone = np.flatnonzero(~balance(setup, throw_deg, g).ok)
    assert gone.size
    return float(g[gone[0] - 1])


@pytest.mark.parametrize("name", ["tarn", "wren"])
@pytest.mark.parametrize("throw_deg", [-10.0, 0.0, 10.0])
def test_a_slow_spiral_tips_where_stance_says(name: str, throw_deg: float) -> None:
    vehicle = make_vehicle(plain(name))
    limit = fold_g(name, throw_deg)
    on = course(1, 12.0, 3.0)
    motion, fixed = start_motion(vehicle, on, 1), fixed_for(vehicle, on, STEP_S)
    push = pushes_mm(vehicle.levers, np.full((1, 1), np.deg2rad(throw_deg)))
    watch, servo = watch_start(vehicle, on, 1), servo_start(1, 1)
    base = float(vehicle.road.ahead[0] + vehicle.road.behind[0])
    seconds = 1.3 * limit / 0.03
    for k in range(int(seconds / STEP_S)):
        # 0.03 g/s; the first part of the way at once, slowly enough to settle
        g = min(0.6 * limit, 0.2 * k * STEP_S) + max(0.0, 0.03 * (k * STEP_S - 3 * limit))
        steer = np.array([g * 9.80665 * base / 12.0**2])
        advance(vehicle, fixed, motion, steer, push, np.zeros((2, 1)))
        watch_step(watch, vehicle, on, motion, servo, k * STEP_S, STEP_S, np.zeros(1), None)
        if not watch.all_running:
            break
    end = watch_result(watch, load_manoeuvre("step"), seconds)
    assert end.falls_s[0] > 0, "it never tipped"
    assert not end.tip_left[0]
    assert float(end.falls_g[0]) == pytest.approx(limit, rel=0.03)
