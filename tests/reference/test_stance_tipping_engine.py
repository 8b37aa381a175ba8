"""Tip limits against an independent engine (MuJoCo): a rigid machine, and one on its springs in a slowly tightening turn.

Source of every expected value: the engine run here. On its springs the engine is ramped at 0.03 g/s on the demos (the
ramp asked for) and slower on the machines that nobody built: once it has begun to fall a machine takes a second or
two to go over, so the engine's limit is late by as much as the ramp moves in that time (sims/reference/README.md).
"""

from __future__ import annotations

import os
from typing import Any

import mujoco
import numpy as np
import pytest

from leanmix.machine import demo, parse
from leanmix.stance import balance, rigid_tip_g, stance_setup, tip_limits
from sims.reference.plain_file import G, read
from sims.reference.ramp import slow_ramp
from sims.reference.random_machine import random_machine

DEEP = os.environ.get("LEANMIX_DEEP") == "1"
DEMOS = [("tarn", 48.0), ("wren", 45.0), ("moss", 25.0)]
RANDOM = range(20) if DEEP else (13,)


def _rigid_machine_tips_at_g(
    corners_mm: list[tuple[float, float]], cg_mm: tuple[float, float, float], begin_g: float
) -> float:
    """A rigid body on small feet at the support's corners, (forward, left), pushed to its right until it goes over."""
    feet = "".join(
        f'<geom type="sphere" size="1e-4" pos="{x * 1e-3} {y * 1e-3} 1e-4" mass="0"/>' for x, y in corners_mm
    )
    x, y, z = (v * 1e-3 for v in cg_mm)
    model = mujoco.MjModel.from_xml_string(f"""
    <mujoco><option timestep="5e-4" integrator="implicitfast" cone="elliptic" solver="Newton"/>
    <default><geom friction="5 0.005 0.0001" condim="3" solref="0.002 1" solimp="0.9999 0.9999 0.001"/></default>
    <worldbody><geom type="plane" size="5 5 1"/>
    <body><joint type="free" damping="0.2"/><inertial pos="{x} {y} {z}" mass="2.9" diaginertia="0.01 0.02 0.02"/>{feet}</body></worldbody></mujoco>""")
    data: Any = mujoco.MjData(model)
    for _ in range(400):
        mujoco.mj_step(model, data)
    lateral, inner = begin_g, 1.0
    for k in range(400):
        model.opt.gravity[:] = (0.0, -begin_g * G * k / 400, -G)
        mujoco.mj_step(model, data)
    while lateral < 2.0:
        lateral += 0.005 * model.opt.timestep
        model.opt.gravity[:] = (0.0, -lateral * G, -G)
        mujoco.mj_step(model, data)
        now = sum(
            float(data.efc_force[c.efc_address])
            for c in (data.contact[i] for i in range(data.ncon))
            if model.geom_pos[max(c.geom), 1] > 0 and c.efc_address >= 0
        )
        inner += 0.005 * (now - inner)
        if inner < 0.005:
            return lateral
    return np.nan


@pytest.mark.parametrize(("name", "throw"), DEMOS if DEEP else DEMOS[:2])
def test_a_rigid_machine_tips_where_the_engine_says(name: str, throw: float) -> None:
    setup = stance_setup(demo(name).machine)
    stance = balance(setup, throw)
    n = setup.numbers
    half, behind = float(n["rear.half_width_mm"]), float(n["rear.contact_rear_behind_mm"])
    corners = [
        (0.0, float(stance.contact_left_mm)),
        (0.0, float(stance.contact_right_mm)),
        (-behind, half),
        (-behind, -half),
    ]
    cg = (-float(n["chassis.cg_behind_mm"]), float(stance.cg_left_mm), float(stance.cg_up_mm))
    ours = float(rigid_tip_g(setup, stance, "left"))
    assert ours == pytest.approx(_rigid_machine_tips_at_g(corners, cg, 0.9 * ours), rel=0.002)


def _ramp_cases() -> list[tuple[str, str, float, bool, float]]:
    cases = []
    for name, throw in DEMOS:
        ways = ((throw, True), (-throw, True), (0.0, False)) if DEEP else ((throw, True),)
        cases += [(f"{name} {t:g}", demo(name).text, t, left, 0.03) for t, left in ways]
    for k in RANDOM:
        ways = ((40.0, True), (-40.0, True), (0.0, False)) if DEEP else ((-40.0, True),)
        cases += [(f"random {k} {t:g}", random_machine(k), t, left, 0.01) for t, left in ways]
    return cases


@pytest.mark.parametrize(("name", "text", "throw", "left", "rate"), _ramp_cases())
def test_on_its_springs(name: str, text: str, throw: float, left: bool, rate: float) -> None:
    ours = tip_limits(stance_setup(parse(text).machine), throw, "left" if left else "right")
    lifts, tips = float(ours.lift_g), float(ours.sprung_g)
    begin = 0.92 * min(lifts, float(ours.gives_way_g))
    engine = slow_ramp(read(text), throw, left=left, begin_g=begin, rate_g_per_s=rate)
    assert lifts == pytest.approx(engine.lifts_g, rel=0.03)
    assert 0.9 * engine.tips_g <= tips <= engine.tips_g
