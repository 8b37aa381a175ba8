"""Jam of a sliding mount against the statics of the movable bracket and the linear-bearing makers' rule."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from leanmix.linkage import SideGeometry, Spot, guide_forces, mount_pose, push_share, side_geometry
from leanmix.machine import demo, values


def bracket(offset_mm: float | np.ndarray, bearing_mm: float | np.ndarray, friction: float = 0.25) -> SideGeometry:
    """A mount pushed straight down its upright guide by a very long way of nothing but an offset."""
    machine = demo("tarn").machine
    geo = side_geometry(machine, values(machine), "left")
    return replace(
        geo,
        arm_centre=Spot(0.0, 166.0),
        arm_radius_mm=15.0,
        offset_behind_mm=0.0,
        link_flat_mm=30.0,
        link_length_mm=30.0,
        guide_cant_rad=0.0,
        guide_down=Spot(0.0, -1.0),
        guide_across=Spot(1.0, 0.0),
        ball=Spot(15.0, 136.0),
        eye=Spot(15.0 + np.asarray(offset_mm), 130.0),
        bearing_centre=Spot(15.0 + np.asarray(offset_mm), 130.0),
        bearing_length_mm=bearing_mm,
        friction=friction,
    )


def test_movable_bracket() -> None:
    # Beer & Johnston, Statics, movable bracket sample problem: height 6 in, μ 0.25 → 12 in from the axis
    inch = 25.4
    geo = bracket(np.array([11.999, 12.001]) * inch, 6 * inch)
    share = push_share(geo, mount_pose(geo, 0.0), 0.25)
    assert share[0] > 0 > share[1]
    # a load along the axis is held by nothing but the link, so the bracket's own question is whether any push moves it
    forces = guide_forces(geo, mount_pose(geo, 0.0), 10.0, Spot(0.0, 1.0), 1.0, 0.25)
    assert not forces.jammed[0]
    assert forces.jammed[1]


@pytest.mark.parametrize("bearing_mm", [8.0, 26.0, 100.0])
def test_two_to_one_rule(bearing_mm: float) -> None:
    # linear-bearing makers' design guides: an offset over 2 × the bearing spacing can jam at μ 0.25 (= L/2μ)
    geo = bracket(2 * bearing_mm, bearing_mm)
    assert push_share(geo, mount_pose(geo, 0.0), 0.25) == pytest.approx(0.0, abs=1e-12)


def test_pure_offset_is_one_less_twice_friction_times_offset_over_length() -> None:
    # follows from the same moments: both ends carry F·x/L
    x, length, mu = np.array([0.0, 3.0, 7.5, 40.0]), 26.0, 0.31
    geo = bracket(x, length, mu)
    assert push_share(geo, mount_pose(geo, 0.0), mu) == pytest.approx(1 - 2 * mu * x / length, abs=1e-12)
    load = 12.0
    forces = guide_forces(geo, mount_pose(geo, 0.0), load, Spot(0.0, 1.0), 1.0)
    assert forces.link_N[:3] == pytest.approx(load / (1 - 2 * mu * x[:3] / length), rel=1e-12)
    back = guide_forces(geo, mount_pose(geo, 0.0), load, Spot(0.0, 1.0), -1.0)
    assert back.link_N == pytest.approx(load / (1 + 2 * mu * x / length), rel=1e-12)
