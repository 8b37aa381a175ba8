"""What the machine in time is made of: its numbers by hand from the file, its slopes by small differences."""

from __future__ import annotations

from copy import copy
from functools import lru_cache

import numpy as np
import pytest

from leanmix.job import work_out
from leanmix.linkage import SIDES, mount_pose, shock_length, side_geometry, tip_up_rad
from leanmix.machine import demo, values
from leanmix.response import EndKind, contender, drive_picks, fastest_pass, load_manoeuvre, picks_of
from leanmix.response.contact import Fixed, Ground, bristles_after, fixed_for, ground_forces
from leanmix.response.levers import pushes_mm, shock_torque
from leanmix.response.motion import start_motion
from leanmix.response.state import Course, Motion
from leanmix.response.upright import foresee, look_at_balance
from leanmix.response.vehicle import Vehicle, make_vehicle, take_vehicles
from leanmix.stance.whole import Force

GRAVITY = 9.80665
MACHINES = ("tarn", "wren", "moss")
ONE = np.ones(1)
STEP_S = 0.005


@lru_cache
def vehicle_of(name: str, toe: bool = True) -> Vehicle:
    machine = demo(name).machine
    return make_vehicle(machine, None if toe else values(machine).changed({"runner.toe_out_mm": 0.0}))


def straight(
    name: str, u: float = 2.0, grip: float = 0.7, push_g: float = 0.25, *, toe: bool = True
) -> tuple[Vehicle, Motion, Fixed]:
    vehicle = vehicle_of(name, toe)
    course = Course(grip * ONE, 0.04 * ONE, 0 * ONE, 0.14 * ONE, 0.16 * ONE, u * ONE, push_g * ONE)
    return vehicle, start_motion(vehicle, course, 1), fixed_for(vehicle, course, STEP_S)


def moved(m: Motion, **changes: float) -> Motion:
    other = copy(m)
    for name, value in changes.items():
        setattr(other, name, getattr(m, name) + value)
    return other


@pytest.mark.parametrize("name", MACHINES)
def test_the_machine_from_above_is_what_its_file_says(name: str) -> None:
    n = values(demo(name).machine)
    road = vehicle_of(name).road
    mass, rear = n["chassis.mass_g"] * 1e-3, n["rear.mass_g"] * 1e-3
    assert road.mass == pytest.approx(mass)
    assert road.ahead == pytest.approx(n["chassis.cg_behind_mm"] * 1e-3)
    assert road.ahead + road.behind == pytest.approx(n["rear.load_behind_mm"] * 1e-3)
    # what leans about the rear's pivot is all but the rear: its first moment below the pivot, over the whole mass
    leaning = mass * n["chassis.cg_up_mm"] - rear * n["rear.mass_up_mm"]
    assert road.sway * 1e3 * mass == pytest.approx((mass - rear) * n["rear.pivot_up_mm"] - leaning, rel=1e-9)
    # the file gives toe as what both runners' tips are apart more than their middles
    assert road.toe_out == pytest.approx(np.arcsin(n["runner.toe_out_mm"] / 2 / n["runner.length_mm"]))
    assert road.lock_left == pytest.approx(np.deg2rad(n["runner.steer_left_deg"]))
    assert road.gauge * 1e3 == pytest.approx(
        n["left.suspension.contact.out_mm"] + n["right.suspension.contact.out_mm"], rel=1e-12
    )
    # where the file gives no inertia: a box as long and wide as what stands on the ground, evenly filled
    long = max(n["rear.contact_rear_behind_mm"], n["rear.load_behind_mm"]) * 1e-3
    assert "chassis.yaw_inertia_kg_mm2" not in n
    assert road.yaw_inertia == pytest.approx(mass * (long**2 + road.gauge**2) / 12)
    places = (n["chassis.cg_behind_mm"] * 1e-3 - road.rear_at) * 1e3
    assert (places * road.rear_share).sum() == pytest.approx(n["rear.load_behind_mm"])
    assert places.min() >= n["rear.contact_front_behind_mm"] - 1e-9
    assert places.max() <= n["rear.contact_rear_behind_mm"] + 1e-9


def test_rolling_drags_the_rear_over_the_ground_the_other_way_than_the_balance_point() -> None:
    vehicle, m, fixed = straight("tarn", u=0.0, push_g=0.0)
    m.load, m.load_before = np.zeros((2, 1)), np.zeros((2, 1))
    m.roll_rate = 0.1 * ONE  # to the right, and its balance point is 96 mm up: over a point that stays, it goes right
    g = ground_forces(vehicle, fixed, m, 0 * ONE, ONE)
    pivot_below_m = -float(vehicle.road.sway[0])
    assert 0.03 < pivot_below_m < 0.1
    # a balance point that stays has the foot slide to the left; standing still half the way bends the bristles on average
    bend = pivot_below_m * 0.1 * STEP_S / 2
    full = float(vehicle.road.relax_rear[0]) * 0.16
    share = 1 - (1 - bend / full) ** 3
    assert float(g.left_N[0]) == pytest.approx(-0.7 * float(g.rear_load[0]) * share, rel=1e-3)


def dragged(vehicle: Vehicle, fixed: Fixed, ground: Ground, v_gain: float, roll_gain: float) -> np.ndarray:
    """Bristles for mean speeds that are more by so much than at the step's start."""
    road, gain = vehicle.road, (v_gain * ONE, 0 * ONE, roll_gain * ONE)
    reach = (road.ahead, road.sway)
    return np.array(
        bristles_after([*ground.bend], [*ground.bend_per], gain, [*ground.lever], reach, [*road.rear_at], [*fixed.full])
    )


@pytest.mark.parametrize("name", MACHINES)
@pytest.mark.parametrize(("across", "by"), [("v", 1e-4), ("yaw_rate", 1e-3)])
def test_loss_of_side_force_is_its_slope(name: str, across: str, by: float) -> None:
    # toe bends the bristles, and how fast they are renewed then counts too, which the slope leaves out
    vehicle, m, fixed = straight(name, toe=False)
    m = moved(m, v=0.02, yaw_rate=0.1)
    less, here, more = (ground_forces(vehicle, fixed, moved(m, **{across: d}), 0 * ONE, ONE) for d in (-by, 0.0, by))

    def slope(of: str) -> float:
        return float((getattr(more, of) - getattr(less, of))[0]) / (2 * by)

    force, moment = (here.per_v, here.per_vr) if across == "v" else (here.per_vr, here.per_r)
    # yawing also has one runner roll on faster than the other, which the slope leaves out
    close = 2e-3 if across == "v" else 1e-2
    assert -slope("left_N") == pytest.approx(float(force[0]), rel=close)
    assert -slope("turn_N_m") == pytest.approx(float(moment[0]), rel=close)
    # the bristles at the step's end follow the speeds at its start by the same rule as by their gain over it
    if across == "v":
        found = (more.bend - less.bend) / (2 * by)
        assert found == pytest.approx(here.bend_per, rel=1e-6)
        assert dragged(vehicle, fixed, here, by, 0.0) == pytest.approx(more.bend, abs=1e-12)


def test_bristles_follow_a_gain_of_roll_rate_as_they_do_roll_rate() -> None:
    vehicle, m, fixed = straight("tarn", toe=False)
    here = ground_forces(vehicle, fixed, m, 0 * ONE, ONE)
    more = ground_forces(vehicle, fixed, moved(m, roll_rate=0.02), 0 * ONE, ONE).bend
    assert np.abs(more - here.bend).min() > 1e-7
    assert dragged(vehicle, fixed, here, 0.0, 0.02 - float(m.roll_rate[0])) == pytest.approx(more, abs=1e-12)


def test_drag_on_one_runner_turns_the_machine_to_its_side() -> None:
    vehicle, m, fixed = straight("tarn", grip=0.0, toe=False)
    m.load = m.load_before = np.array([[10.0], [0.0]])
    # Tarn's ground here drags with 0.04 of the load
    by_hand = 0.04 * 10 * float(m.reach[0, 0]) * 1e-3
    assert float(ground_forces(vehicle, fixed, m, 0 * ONE, ONE).turn_N_m[0]) == pytest.approx(by_hand, rel=2e-3)


@pytest.mark.parametrize("name", MACHINES)
def test_what_damps_roll_is_the_sides_slope_by_roll_rate(name: str) -> None:
    vehicle, m, fixed = straight(name)
    by = 1e-3

    def force(rate: float) -> Ground:
        return ground_forces(vehicle, fixed, moved(m, roll_rate=rate), 0 * ONE, ONE)

    here, change = force(0.0), (force(by).left_N - force(-by).left_N) / (2 * by)
    # all that is dragged by roll, in one sum: the runners by their levers, the rear by the pivot's
    stiff = here.per_v[0]
    rear = (here.per_vr[0] - vehicle.road.ahead[0] * stiff) / (vehicle.road.rear_at.mean() - vehicle.road.ahead[0])
    lever = float(here.lever.mean())
    assert -change[0] == pytest.approx((stiff - rear) * lever - rear * vehicle.road.sway[0], rel=0.03)
    damp = 1e3 * ((stiff - rear) * lever**2 + rear * vehicle.road.sway[0] ** 2)
    assert here.roll_damp[0] == pytest.approx(damp, rel=0.05)


def test_pushing_takes_side_grip_and_moves_load_to_the_rear() -> None:
    vehicle, m, fixed = straight("tarn", u=2.0, grip=0.3, push_g=0.25)
    sliding = moved(m, v=5.0)
    held = ground_forces(vehicle, fixed, sliding, 0 * ONE, ONE)
    slow = ground_forces(vehicle, fixed, moved(sliding, u=-1.5), 0 * ONE, ONE)
    assert abs(slow.left_N[0]) < 0.95 * abs(held.left_N[0])
    assert slow.forward_N[0] > held.forward_N[0]
    pushed = ground_forces(vehicle, fixed, moved(m, forward_g=0.1), 0 * ONE, ONE)
    still = ground_forces(vehicle, fixed, m, 0 * ONE, ONE)
    # Tarn's file: 2.9 kg, balance point 96 mm up, 290 mm from runners to rear support
    assert pushed.rear_load[0] - still.rear_load[0] == pytest.approx(2.9 * GRAVITY * 0.1 * 96 / 290, rel=1e-6)
    banked = ground_forces(vehicle, fixed, m, 0 * ONE, 1.2 * ONE)
    assert banked.rear_load[0] == pytest.approx(1.2 * still.rear_load[0], rel=1e-6)


def look(vehicle: Vehicle, m: Motion, push: np.ndarray, rate: float = 0.0) -> tuple[Motion, float, float]:
    """The balance somewhere, the droops settled."""
    down = -GRAVITY * ONE
    one = copy(m)
    for _ in range(4):
        then = foresee(vehicle, one, np.full((2, 1), rate), 0.0)
        f = look_at_balance(vehicle, one, Force(0 * ONE, down, 0 * ONE, np.zeros((2, 1))), push, then)
        one.droop = one.droop_mid + f.droop_0
    return one, float(f.lift[0]), float(f.moment[0])


@pytest.mark.parametrize("name", MACHINES)
def test_slopes_of_heave_and_roll_and_of_the_contacts(name: str) -> None:
    vehicle, m, _ = straight(name)
    push = pushes_mm(vehicle.levers, np.full((1, 1), 0.05))
    m = moved(m, rise=-0.4, roll=0.01)
    here, _, _ = look(vehicle, m, push)
    down = -GRAVITY * ONE
    force = Force(0 * ONE, down, 0 * ONE, np.zeros((2, 1)))
    stiff = look_at_balance(vehicle, copy(here), force, push, foresee(vehicle, here, np.zeros((2, 1)), 0.0)).stiff
    for across, by, lift_at, moment_at in (("rise", 1e-3, 0, 2), ("roll", 1e-5, 1, 3)):
        less, lift_less, moment_less = look(vehicle, moved(m, **{across: -by}), push)
        more, lift_more, moment_more = look(vehicle, moved(m, **{across: by}), push)
        assert -(lift_more - lift_less) / (2 * by) == pytest.approx(float(stiff[lift_at][0]), rel=5e-3, abs=0.3)
        assert -(moment_more - moment_less) / (2 * by) == pytest.approx(float(stiff[moment_at][0]), rel=5e-3, abs=3.0)
        per = here.reach_z if across == "rise" else here.reach_r
        assert (more.reach - less.reach) / (2 * by) == pytest.approx(per, rel=1e-3, abs=1e-3)
        droop = here.droop_z if across == "rise" else here.droop_r
        assert (more.droop - less.droop) / (2 * by) == pytest.approx(droop, rel=1e-3, abs=1e-6)


def test_a_damper_works_against_its_shock_and_in_the_machine_against_its_rate() -> None:
    vehicle, m, _ = straight("tarn")
    push = pushes_mm(vehicle.levers, np.zeros((1, 1)))
    still, _, _ = look(vehicle, m, push)
    # mounts pushed down squeeze the shocks: damping times that speed on top of the spring, 0.012 N s/mm by the file
    damping = float(vehicle.sides.damping[0, 0])
    assert damping > 0
    fast, _, _ = look(vehicle, still, push, rate=20.0)
    squeeze = -float(still.length_push[0, 0]) * 20.0
    assert squeeze != 0
    assert fast.shock[0, 0] - still.shock[0, 0] == pytest.approx(damping * squeeze, rel=1e-3)
    force = Force(0 * ONE, -GRAVITY * ONE, 0 * ONE, np.zeros((2, 1)))
    damp = look_at_balance(vehicle, copy(still), force, push, foresee(vehicle, still, np.zeros((2, 1)), 0.0)).damp
    by = np.stack([still.length_droop * still.droop_z, still.length_droop * still.droop_r])
    for found, (a, b) in zip(damp, ((0, 0), (0, 1), (1, 1)), strict=True):
        assert found == pytest.approx(damping * (by[a] * by[b]).sum(axis=0), rel=1e-6, abs=1e-9)
    then = foresee(vehicle, moved(still, rise_rate=30.0), np.zeros((2, 1)), 0.0)
    assert then.droop_rate == pytest.approx(30.0 * still.droop_z)
    assert then.length_rate == pytest.approx(30.0 * still.length_droop * still.droop_z)


def test_forces_are_taken_at_the_end_of_a_step_that_meets_a_stop() -> None:
    vehicle, m, _ = straight("tarn")
    m, _, _ = look(vehicle, m, pushes_mm(vehicle.levers, np.zeros((1, 1))))
    gap = vehicle.sides.longest - m.length
    assert (gap > 0).all()
    for part, wanted in ((0.9, STEP_S / 2), (1.1, STEP_S)):
        # the left mount alone draws its shock out
        draws = np.array([[1.0], [0.0]]) * gap * part / STEP_S / m.length_push
        assert foresee(vehicle, m, draws, STEP_S).ahead == pytest.approx(wanted)
    m.grounded = np.array([[True], [False]])
    m.height = np.array([[0.0], [0.2]])
    for fall, wanted in ((-30.0, STEP_S / 2), (-50.0, STEP_S)):
        sinking = moved(m, rise_rate=fall)
        assert foresee(vehicle, sinking, np.zeros((2, 1)), STEP_S).ahead == pytest.approx(wanted)


@pytest.mark.parametrize("name", MACHINES)
def test_mounts_go_where_the_linkage_puts_them(name: str) -> None:
    machine = demo(name).machine
    throws = np.deg2rad(np.linspace(-25, 25, 11))
    found = pushes_mm(vehicle_of(name).levers, throws[None])
    for row, side in enumerate(SIDES):
        geo = side_geometry(machine, values(machine), side)
        assert found[row] == pytest.approx(np.asarray(mount_pose(geo, tip_up_rad(throws, side)).push_mm), abs=1e-9)


def test_without_friction_the_servo_gives_what_the_shocks_take() -> None:
    machine = demo("tarn").machine
    n = values(machine)
    smooth = n.changed({k: 0.0 for k in n if k.endswith("guide.friction")})
    levers = make_vehicle(machine, smooth).levers
    throws = np.linspace(-0.4, 0.4, 9)
    left, right = shock_torque(levers, throws[None], np.ones((2, 9)))
    assert left == pytest.approx(-right, abs=1e-9)
    h = 1e-4
    for row, side in enumerate(SIDES):
        geo = side_geometry(machine, smooth, side)
        length = [
            shock_length(geo, mount_pose(geo, tip_up_rad(throws + d, side)).push_mm, np.zeros(9)).length_mm
            for d in (-h, h)
        ]
        # nodes lie 2° apart, the shock's direction is that of the pose at rest
        assert left[row] == pytest.approx(-(length[1] - length[0]) / (2 * h), rel=0.03, abs=0.05)
    assert shock_torque(levers, throws[None], np.full((2, 9), 7.0))[0] == pytest.approx(7 * left)
    rough = make_vehicle(machine, n).levers
    up, down = shock_torque(rough, throws[None], np.ones((2, 9)))
    assert (up + down > 0).all()  # friction costs both ways


def test_machines_side_by_side_keep_their_own_levers() -> None:
    tarn = vehicle_of("tarn")
    machine = demo("tarn").machine
    other = make_vehicle(machine, values(machine).changed({"left.arm.radius_mm": 11.0, "right.arm.radius_mm": 11.0}))
    both = take_vehicles([tarn, other], np.array([1, 0, 1]))
    throw = np.array([[0.2, 0.2, -0.1]])
    shock = np.array([[3.0, 4.0, 5.0], [2.0, 1.0, 6.0]])
    push, torque = pushes_mm(both.levers, throw), shock_torque(both.levers, throw, shock)
    for run, alone in enumerate((other, tarn, other)):
        at = throw[:, run : run + 1]
        assert push[:, run : run + 1] == pytest.approx(pushes_mm(alone.levers, at))
        neutral = np.zeros((1, 1))
        assert pushes_mm(both.levers, neutral)[:, run : run + 1] == pytest.approx(pushes_mm(alone.levers, neutral))
        for way, found in zip(shock_torque(alone.levers, at, shock[:, run : run + 1]), torque, strict=True):
            assert found[:, run : run + 1] == pytest.approx(way)


def test_fastest_pass_at_both_ends_of_what_is_looked_at() -> None:
    own = contender(work_out(demo("tarn")))
    step = load_manoeuvre("step")
    zero = np.zeros(1, dtype=np.intp)
    # on ice a steer step slides and never tips: nothing fails up to the fastest looked at, and nothing is left to find
    ice = fastest_pass([own], [step], zero, zero, np.array([0.1]), rounds=(4, 3))
    assert ice.then[0] == EndKind.FINISHED
    assert ice.step_m_per_s[0] == 0
    assert ice.speed_m_per_s[0] > 5
    # each further round narrows what is left by one more than its count
    wren = contender(work_out(demo("wren")))
    flick = load_manoeuvre("flick")
    coarse, fine, halved = (
        fastest_pass([wren], [flick], zero, zero, np.array([0.9]), rounds=rounds)
        for rounds in ((10,), (10, 4), (10, 1, 1, 1, 1))
    )
    assert coarse.step_m_per_s[0] == pytest.approx(5 * fine.step_m_per_s[0])
    assert coarse.speed_m_per_s[0] <= fine.speed_m_per_s[0] < coarse.speed_m_per_s[0] + coarse.step_m_per_s[0]
    assert coarse.step_m_per_s[0] == pytest.approx(16 * halved.step_m_per_s[0])
    speed, step = float(halved.speed_m_per_s[0]), float(halved.step_m_per_s[0])
    end = drive_picks([wren], [flick], picks_of(0, 0, [speed, speed + step], 0.9))
    assert end.kind.tolist() == [EndKind.FINISHED, EndKind.TIPPED]
