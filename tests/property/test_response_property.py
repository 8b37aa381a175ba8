"""What must hold however the machine is thrown about: energy is not created, left mirrors right, nothing is NaN."""

from __future__ import annotations

import os
from copy import copy
from functools import lru_cache

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from leanmix.job import work_out
from leanmix.machine import demo
from leanmix.response import Contender, EndKind, changed, drive, load_manoeuvre, make_runs, picks_of, variant
from leanmix.response.contact import fixed_for
from leanmix.response.levers import pushes_mm
from leanmix.response.manoeuvre import Manoeuvre, SteerPoint
from leanmix.response.motion import advance, start_motion
from leanmix.response.state import Course, Motion
from leanmix.response.upright import _pose, _settled
from leanmix.response.variants import base_of
from leanmix.response.vehicle import Vehicle, make_vehicle
from leanmix.stance.whole import Force, push_of, whole

DEEP = os.environ.get("LEANMIX_DEEP") == "1"
GRAVITY = 9.80665
MACHINES = ("tarn", "wren", "moss")
STOP = 1000.0


@lru_cache
def vehicle_of(name: str) -> Vehicle:
    return make_vehicle(demo(name).machine)


@lru_cache
def contenders_of(name: str) -> tuple[Contender, Contender]:
    job = work_out(demo(name))
    own = variant(base_of(job), {"ratio": 0.3})
    assert own is not None
    return own, Contender("plain", own.vehicle, own.image, 0)


def energy_N_mm(vehicle: Vehicle, m: Motion, push: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Energy of motion, and of springs, stops and height, with the droops settled; the rear's foot flat."""
    sides, body = vehicle.sides, vehicle.body
    n = len(m.roll)
    zero = np.zeros(n)
    felt = Force(zero, zero - GRAVITY, zero, np.zeros((2, n)))
    heave = m.rise + body.pivot * (1 - np.cos(m.roll))
    pushed = push_of(sides, push + np.zeros((2, n)), sides.slack + np.zeros((2, n)))
    look = _settled(sides, body, felt, pushed, _pose(sides, heave, m.roll, m.droop), m.grounded.copy())
    settled = copy(m)
    settled.droop = look.droop + look.droop_0
    pose = _pose(sides, heave, m.roll, settled.droop)
    w = whole(sides, body, felt, pushed, pose, look.grounded)
    left = sides.slack - w.length
    spring = 0.5 * sides.rate * np.where(left > 0, left**2, 1e-6 * left**2)
    stop = 0.5 * STOP * (np.maximum(w.length - sides.longest, 0) ** 2 + np.maximum(sides.shortest - w.length, 0) ** 2)
    cos, sin = np.cos(m.roll), np.sin(m.roll)
    share = body.behind_share
    up = (1 - share) * heave + share * body.pivot * (1 - cos) + body.left * sin + body.up * cos
    height = body.mass * up + (sides.unsprung * (heave + body.pivot * cos + w.mass_below)).sum(axis=0)
    stored = (spring + stop).sum(axis=0) + 0.5 * body.roll_stiffness * m.roll**2 + GRAVITY * height
    moving = 0.5 * body.front_mass * 1e-3 * m.rise_rate**2 + 0.5 * vehicle.road.roll_inertia * 1e3 * m.roll_rate**2
    return moving, stored


@given(
    name=st.sampled_from(MACHINES),
    rise=st.floats(-250, 250),
    roll=st.floats(-1.2, 1.2),
    step=st.sampled_from([0.005, 0.0025]),
)
@settings(max_examples=200 if DEEP else 12)
def test_energy_is_never_created_with_grip_and_drive_off(name: str, rise: float, roll: float, step: float) -> None:
    vehicle = vehicle_of(name)
    none = np.zeros(1)
    course = Course(none, none, none, none + 0.14, none + 0.14, none, none)
    motion, fixed = start_motion(vehicle, course, 1), fixed_for(vehicle, course, step)
    push = pushes_mm(vehicle.levers, np.zeros((1, 1)))
    _, rest = energy_N_mm(vehicle, motion, push)
    motion.rise_rate, motion.roll_rate = none + rise, none + roll
    moving, stored = energy_N_mm(vehicle, motion, push)
    least = begun = float((moving + stored - rest)[0])
    # The midpoint rule keeps a spring's energy to second order: 1 % of what was put in covers its ripple. Where a
    # runner lands or lifts between two steps, its weight acts over up to a step's way too long.
    way_mm = (abs(rise) + abs(roll) * 1e3 * float(vehicle.road.gauge[0]) / 2) * step
    a_landing, landings, on = GRAVITY * float(vehicle.sides.unsprung.max()) * way_mm, 1, motion.grounded.copy()
    for _ in range(80):
        advance(vehicle, fixed, motion, none, push, np.zeros((2, 1)))
        if abs(float(motion.roll[0])) > 0.12:
            break  # the foot may tilt from here on, and its energy is not counted above
        moving, stored = energy_N_mm(vehicle, motion, push)
        landings, on = landings + int((on != motion.grounded).sum()), motion.grounded.copy()
        now = float((moving + stored - rest)[0])
        assert now <= least + 0.01 * begun + 1e-3 + landings * a_landing
        least = min(least, now)


@given(st.floats(0.5, 5.0), st.floats(0.1, 0.9), st.floats(-1, 1), st.floats(-1, 1))
@settings(max_examples=60 if DEEP else 4)
def test_left_mirrors_right(speed: float, grip: float, first: float, then: float) -> None:
    # Tarn is alike on both sides, but for the rounding of its knots: it is driven here by a table that is too
    own, _ = contenders_of("tarn")
    output = own.image.outputs[0]
    middle = output.neutral_eighths
    knots = tuple(middle + 40 * (k - 16) for k in range(33))
    even = type(output)(knots, knots[0], knots[-1], middle, middle, output.slew_eighths)
    image = type(own.image)(**{**{f: getattr(own.image, f) for f in own.image.__slots__}, "outputs": (even,)})
    both = []
    for sign in (1.0, -1.0):
        m = load_manoeuvre("step")
        points = [
            SteerPoint.model_validate({"at_s": t, "share": sign * s})
            for t, s in ((0.1, 0.0), (0.2, first), (0.6, then))
        ]
        asked: Manoeuvre = m.model_copy(update={"steer": tuple(points)})
        runs = make_runs([Contender("even", own.vehicle, image)], [asked], picks_of(0, 0, speed, grip))
        both.append(drive(runs, keep=True))
    a, b = both[0].traces, both[1].traces
    assert a is not None
    assert b is not None
    steps = min(len(a.time_s), len(b.time_s), 60)  # what can tip either way may go either way later
    for channel, sign in (("lean_deg", -1), ("yaw_deg_per_s", -1), ("throw_deg", -1), ("speed_m_per_s", 1)):
        assert np.allclose(a[channel][:steps], sign * b[channel][:steps], rtol=0, atol=2e-3)
    assert np.allclose(a["load_left_N"][:steps], b["load_right_N"][:steps], rtol=0, atol=5e-3)


@given(
    name=st.sampled_from(MACHINES),
    manoeuvre=st.sampled_from(["flick", "step", "parked"]),
    speed=st.floats(0, 25),
    grip=st.floats(0.02, 2.5),
    bank=st.floats(-30, 30),
)
@settings(max_examples=200 if DEEP else 8)
def test_nothing_that_comes_out_is_nan(name: str, manoeuvre: str, speed: float, grip: float, bank: float) -> None:
    asked = load_manoeuvre(manoeuvre)
    changes = {"ground.bank_deg": bank}
    if manoeuvre == "parked":
        changes["duration_s"] = 3.0
    asked = changed(asked, changes)
    contenders = contenders_of(name)
    outcome = drive(make_runs(contenders, [asked], picks_of([0, 1], 0, speed, grip)), keep=True)
    assert outcome.traces is not None
    assert np.isfinite(outcome.traces.values).all()
    for part in outcome.end.__slots__:
        assert np.isfinite(getattr(outcome.end, part)).all(), part
    assert all(EndKind(int(k)).says for k in outcome.end.kind)
    tipped = outcome.end.kind == EndKind.TIPPED
    assert (outcome.end.falls_s[tipped] <= outcome.end.at_s[tipped]).all()
