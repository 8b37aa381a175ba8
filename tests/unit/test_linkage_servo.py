"""Pulses, the motor line, teeth, and the mount's inverse."""

from __future__ import annotations

import numpy as np
import pytest

from leanmix.linkage import (
    SIDES,
    SideName,
    guide_forces,
    link_force_bound_N,
    mount_pose,
    nearest_tooth,
    pulse_us,
    servo_line,
    shock_length,
    shock_line,
    side_geometry,
    suspension_pose,
    suspension_rates,
    suspension_sweep,
    throw_at_pulse_rad,
    tip_up_for_push,
    tip_up_rad,
)
from leanmix.machine import DEMOS, demo, values


def test_double_arm_has_one_pulse_and_it_counts_to_the_left() -> None:
    machine = demo("tarn").machine
    (pulse,) = pulse_us(machine, values(machine), np.deg2rad(np.array([-10.0, 0.0, 10.0])))
    assert pulse == pytest.approx([1398, 1500, 1602])


def test_a_servo_each_side_has_its_own_neutral_and_sense() -> None:
    machine = demo("wren").machine
    left, right = pulse_us(machine, values(machine), np.deg2rad(np.array([0.0, 10.0])))
    assert left == pytest.approx([1500, 1600])
    assert right == pytest.approx([1512, 1412])
    back = throw_at_pulse_rad(machine, values(machine), (left, right))
    assert np.rad2deg(np.array(back)) == pytest.approx(np.array([[0, 10], [0, 10]]))
    with pytest.raises(ValueError, match="zip"):
        throw_at_pulse_rad(machine, values(machine), (left,))


def test_motor_line() -> None:
    # torque = stall × (1 − speed / free), peak power stall·free/4 at half speed (machine-design texts, from memory)
    machine = demo("tarn").machine
    line = servo_line(values(machine))
    assert line.speed_rad_per_s(0.0) == pytest.approx(np.deg2rad(400))
    assert line.speed_rad_per_s(2060.0) == 0
    torque = np.linspace(0, 2060, 2001)
    power = torque * line.speed_rad_per_s(torque)
    assert torque[power.argmax()] == pytest.approx(1030)
    assert power.max() == pytest.approx(2060 * np.deg2rad(400) / 4)
    assert line.speed_rad_per_s(-500.0) == line.speed_rad_per_s(0.0)
    current = line.current_A(np.array([0.0, 2060.0, 9999.0]))
    assert current is not None
    assert current == pytest.approx([0.15, 2.6, 2.6])
    cold = servo_line(values(machine), cold=True)
    assert cold.stall_N_mm == pytest.approx(2060 * 5.5 / 6)
    assert cold.current_A(1e9) == pytest.approx(0.15 + 2.45 * 5.5 / 6)


@pytest.mark.parametrize(("teeth", "step"), [(25, 14.4), (24, 15.0)])
def test_teeth_of_the_trade(teeth: int, step: float) -> None:
    # 25-tooth output spline 14.4° a tooth, 24 teeth 15° (arithmetic)
    assert nearest_tooth(teeth, 0.0, 10.0).step_deg == pytest.approx(step)


def test_nearest_tooth_leaves_at_most_half_a_tooth_and_a_flip_halves_that() -> None:
    for turn in np.linspace(-40, 40, 161):
        single = nearest_tooth(25, float(turn), 10.2)
        assert abs(single.trim_deg) <= 7.2 + 1e-9
        assert single.teeth * 14.4 + single.trim_deg == pytest.approx(turn)
        assert single.trim_us == pytest.approx(10.2 * single.trim_deg)
        double = nearest_tooth(25, float(turn), 10.2, double_arm=True)
        assert abs(double.trim_deg) <= 3.6 + 1e-9
        assert double.teeth * 14.4 + 7.2 * double.end_for_end + double.trim_deg == pytest.approx(turn)
    assert not nearest_tooth(24, 7.5, 10.0, double_arm=True).end_for_end


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("name", DEMOS)
def test_push_and_arm_angle_are_each_other_turned_round(name: str, side: SideName) -> None:
    machine = demo(name).machine
    geo = side_geometry(machine, values(machine), side)
    angles = np.deg2rad(np.linspace(-45, 45, 91))
    pose = mount_pose(geo, angles)
    assert tip_up_for_push(geo, pose.push_mm) == pytest.approx(angles, abs=1e-9)
    h = 1e-5
    slope = (mount_pose(geo, angles + h).push_mm - mount_pose(geo, angles - h).push_mm) / (2 * h)
    assert pose.push_rate_mm_per_rad == pytest.approx(slope, abs=1e-6)
    assert np.all(pose.push_rate_mm_per_rad < 0), "raising the arm's ball lifts the mount"
    link = np.hypot(np.hypot(pose.ball.out - pose.tip.out, pose.ball.up - pose.tip.up), geo.offset_behind_mm)
    assert link == pytest.approx(np.full(91, float(geo.link_length_mm)), abs=1e-12)


def test_throw_to_the_left_lifts_the_left_mount_and_lowers_the_right() -> None:
    for name in DEMOS:
        machine = demo(name).machine
        left, right = (side_geometry(machine, values(machine), side) for side in SIDES)
        assert mount_pose(left, tip_up_rad(0.2, "left")).push_mm < -1
        assert mount_pose(right, tip_up_rad(0.2, "right")).push_mm > 1


@pytest.mark.parametrize("on_upper", [False, True])
def test_suspension_slopes(on_upper: bool) -> None:
    text = demo("tarn").text
    if on_upper:
        text = text.replace(
            'on = "lower_arm"\nlower_eye = { out_mm = 76, up_mm = 54',
            'on = "upper_arm"\nlower_eye = { out_mm = 76, up_mm = 76',
        )
    from leanmix.machine import parse

    machine = parse(text).machine
    assert (machine.left.shock.on == "upper_arm") == on_upper
    geo = side_geometry(machine, values(machine), "left")
    droop, h = np.linspace(-0.25, 0.3, 12), 1e-5
    here, more, less = (suspension_pose(geo, droop + d) for d in (0.0, h, -h))
    rates, sweep = suspension_rates(geo, here), suspension_sweep(geo, droop)
    for name, rate in (("contact", rates.contact), ("shock_lower_eye", rates.shock_lower_eye)):
        for axis in ("out", "up"):
            slope = (getattr(getattr(more, name), axis) - getattr(getattr(less, name), axis)) / (2 * h)
            assert getattr(rate, axis) == pytest.approx(slope, abs=1e-6)
    assert rates.upright_per_droop == pytest.approx((more.upright_rad - less.upright_rad) / (2 * h), abs=1e-7)
    assert rates.upper_arm_per_droop == pytest.approx((more.upper_arm_rad - less.upper_arm_rad) / (2 * h), abs=1e-7)
    assert sweep.contact.up == pytest.approx(here.contact.up, abs=1e-12)
    assert sweep.contact_rate.out == pytest.approx(rates.contact.out, abs=1e-12)
    ahead, behind = suspension_sweep(geo, droop + h), suspension_sweep(geo, droop - h)
    for name in ("contact", "eye"):
        for axis in ("out", "up"):
            slope = (getattr(getattr(ahead, f"{name}_rate"), axis) - getattr(getattr(behind, f"{name}_rate"), axis)) / (
                2 * h
            )
            assert getattr(getattr(sweep, f"{name}_curve"), axis) == pytest.approx(slope, abs=1e-5)
    push = np.linspace(-6, 6, 12)
    shock = shock_length(geo, push, droop)
    by_push = (shock_length(geo, push + h, droop).length_mm - shock_length(geo, push - h, droop).length_mm) / (2 * h)
    by_droop = (shock_length(geo, push, droop + h).length_mm - shock_length(geo, push, droop - h).length_mm) / (2 * h)
    assert shock.per_push == pytest.approx(by_push, abs=1e-8)
    assert shock.per_droop_mm_per_rad == pytest.approx(by_droop, abs=1e-6)
    assert shock_line(geo, push, droop)[0] == pytest.approx(shock.length_mm, abs=1e-12)


def test_bound_on_the_links_force_is_a_bound() -> None:
    rng = np.random.default_rng(8)
    for name in DEMOS:
        machine = demo(name).machine
        geo = side_geometry(machine, values(machine), "left")
        pose = mount_pose(geo, rng.uniform(-0.8, 0.8, 200))
        along = shock_length(geo, pose.push_mm, rng.uniform(-0.2, 0.2, 200)).along
        for way in (1.0, -1.0):
            mu = rng.uniform(0, 0.6, 200)
            forces = guide_forces(geo, pose, 20.0, along, way, mu)
            bound = link_force_bound_N(geo, pose, 20.0, along, mu)
            kept = np.isfinite(bound)
            assert not forces.jammed[kept].any()
            assert np.all(np.abs(forces.link_N[kept]) <= bound[kept] + 1e-9)


def test_throws_and_builds_broadcast() -> None:
    machine = demo("tarn").machine
    from leanmix.machine import draw_builds

    builds = draw_builds(machine, 7, 1)
    geo = side_geometry(machine, builds, "right")
    throw = np.linspace(-0.5, 0.5, 5)[:, None]
    pose = mount_pose(geo, throw)
    assert pose.push_mm.shape == (5, 7)
    assert shock_length(geo, pose.push_mm, 0.1).length_mm.shape == (5, 7)
    forces = guide_forces(geo, pose, 10.0, shock_length(geo, pose.push_mm, 0.1).along, 1.0)
    assert forces.link_N.shape == (5, 7)
