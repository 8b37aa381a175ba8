"""The ladder on the demo machines: the three stories, and what each rung says."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from leanmix.errors import GeometryError
from leanmix.linkage import Array
from leanmix.machine import DEMOS, Machine, Numbers, demo, parse, values
from leanmix.stance import balance, stance_setup, stance_states
from leanmix.stops import (
    WAYS,
    Ladder,
    States,
    StateSolver,
    droop_touches,
    find_stops,
    parked_balance,
)


@pytest.fixture(scope="module")
def ladders() -> dict[str, Ladder]:
    return {name: find_stops(demo(name).machine, None, stance_states) for name in DEMOS}


def changed(name: str, *swaps: tuple[str, str]) -> Machine:
    text = demo(name).text
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new)
    return parse(text).machine


def test_every_ladder_is_in_order_and_ends(ladders: dict[str, Ladder]) -> None:
    for ladder in ladders.values():
        for way in WAYS:
            stops = ladder.way(way)
            throws = [s.throw_deg for s in stops]
            assert throws == sorted(throws)
            assert stops[-1].kind in ("servo_end", "over_centre")
            assert stops[-1].gain_deg is None
            assert all(s.gain_deg is not None and s.gain_deg > 0 for s in stops[:-1])
            assert all(s.says and s.cure and s.way == way for s in stops)
            leans = [s.lean_deg for s in stops]
            assert leans == sorted(leans)


def test_tarn_is_healthy(ladders: dict[str, Ladder]) -> None:
    tarn = ladders["tarn"]
    for way in WAYS:
        first = tarn.way(way)[0]
        assert first.kind == "contact"
        assert first.parts == ("servo arm", "servo screw")
        assert first.throw_deg > 50
        assert not any("rack" in s.parts for s in tarn.way(way))
    assert tarn.notes == ()


def test_wren_differs_from_side_to_side(ladders: dict[str, Ladder]) -> None:
    wren = ladders["wren"]
    left, right = wren.first_block("left"), wren.first_block("right")
    assert left is not None
    assert right is not None
    assert abs(left.throw_deg - right.throw_deg) > 0.3
    assert len(left.pulses_us) == 2
    # the right servo is turned round, so its pulse goes the other way
    assert left.pulses_us[0] > 1500 > left.pulses_us[1]


def test_moss_says_short_arm_jam_and_rack_and_how_to_cure_each(ladders: dict[str, Ladder]) -> None:
    moss = ladders["moss"]
    assert any("too short: 16 mm ball to ball" in n and "30 mm apart" in n for n in moss.notes)
    assert any("With a 29.5 mm arm (ball to ball)" in n for n in moss.notes)
    for way in WAYS:
        rack = next(s for s in moss.way(way) if "rack" in s.parts)
        assert not rack.blocks
        assert "comes down on rack" in rack.says
        assert "spring" in rack.says
        assert "Lower or trim rack by" in rack.cure
        jam = next(s for s in moss.way(way) if s.kind == "jam")
        assert jam.blocks
        assert jam is moss.first_block(way)
        assert "jams in its guide" in jam.says
        assert "° off the guide" in jam.says
        assert "mm arm (ball to ball) the link would push" in jam.cure
        centre = next(s for s in moss.way(way) if s.kind == "over_centre")
        assert "The arm is short" in centre.cure
    assert any("fingers clear" in n for n in moss.notes)


def test_the_arm_that_is_named_as_cure_does_cure(ladders: dict[str, Ladder]) -> None:
    moss = changed("moss", ("radius_mm = { at = 8, ", "radius_mm = { at = 14.75, "))
    cured = find_stops(moss)
    for way in WAYS:
        before, after = ladders["moss"].cap(way), cured.cap(way)
        assert after.lean_deg > 2 * before.lean_deg
    assert not any("too short" in n for n in cured.notes)


def test_caps_stand_short_of_the_first_block_or_at_your_own(ladders: dict[str, Ladder]) -> None:
    for ladder in ladders.values():
        for way in WAYS:
            block = ladder.first_block(way)
            assert block is not None
            assert ladder.cap(way).throw_deg == pytest.approx(block.throw_deg - 1.5)
            assert block.says in ladder.cap(way).why
    own = find_stops(changed("tarn", ("cap_margin_deg = 1.5", "cap_margin_deg = 1.5\ncap_left_deg = 20")))
    assert own.cap_left.throw_deg == 20
    assert own.cap_left.why == "your own cap"
    assert own.cap_right.throw_deg > 50


def test_a_part_in_the_way_at_neutral_is_a_stop_at_neutral() -> None:
    ladder = find_stops(changed("tarn", ("{ out_mm = 5, up_mm = 148, tol_mm = 0.3 }", "{ out_mm = 10, up_mm = 164 }")))
    for way in WAYS:
        first = ladder.way(way)[0]
        assert first.throw_deg == 0
        assert first.blocks
        assert ladder.cap(way).throw_deg == 0


def test_a_bigger_margin_comes_sooner_by_as_much_as_the_gap_closes() -> None:
    near = find_stops(demo("tarn").machine).left[0]
    far = find_stops(changed("tarn", ("margin_mm = 0.3", "margin_mm = 0.5"))).left[0]
    assert far.kind == near.kind == "contact"
    assert 0 < near.throw_deg - far.throw_deg < 2


def test_block_or_touch_follows_from_the_body_it_sits_on() -> None:
    on_arm = [
        ('between = ["lower arm", "rack"]', 'between = ["servo arm", "rack"]'),
        ("points = [\n    { out_mm = -56, up_mm = 30, tol_mm = 0.5 },\n    { out_mm = 56, up_mm = 30, tol_mm = 0.5 },\n]", "points = [{ out_mm = 10, up_mm = 184 }]"),
    ]  # fmt: skip
    stops = find_stops(changed("tarn", *on_arm)).left
    assert next(s for s in stops if "rack" in s.parts).blocks
    assert not next(s for s in find_stops(demo("moss").machine).left if "rack" in s.parts).blocks


def test_shock_ends_and_stall_are_stops() -> None:
    solid = find_stops(changed("tarn", ("length_min_mm = 71", "length_min_mm = 91")))
    assert {(s.kind, s.blocks) for s in solid.left} >= {("shock_solid", True)}
    pulled = find_stops(changed("tarn", ("length_max_mm = 99", "length_max_mm = 92.5")))
    assert ("shock_pulled_out", False) in {(s.kind, s.blocks) for s in pulled.left}
    weak = find_stops(
        changed("tarn", ("stall_torque_N_mm = { at = 2060, tol = 200,", "stall_torque_N_mm = { at = 130, tol = 10,"))
    )
    stall = next(s for s in weak.left if s.kind == "stall")
    at = np.abs(weak.loads.throw_deg - stall.throw_deg).argmin()
    torque = max(float(t[at]) for t in (*weak.loads.torque_out_N_mm, *weak.loads.torque_back_N_mm))
    assert torque == pytest.approx(weak.loads.torque_allowed_N_mm, rel=0.02)
    assert "battery cold" in stall.says


def test_cold_battery_lowers_what_is_allowed() -> None:
    tarn = find_stops(demo("tarn").machine).loads
    # 6.0 V rated, 6.0 V supply, 0.5 V sag, 80 % of 2060 N mm
    assert tarn.torque_allowed_N_mm == pytest.approx(0.8 * 2060 * 5.5 / 6.0)
    assert np.all(tarn.speed_cold_deg_per_s <= tarn.speed_deg_per_s)


def test_ball_joints_bind_at_once_when_arm_and_mount_lie_far_apart() -> None:
    far = changed("moss", ("offset_behind_mm = { at = 3,", "offset_behind_mm = { at = 30,"))
    ladder = find_stops(far)
    assert ladder.left[0].throw_deg == 0
    assert "ball_binds" in {s.kind for s in ladder.left}


def test_the_place_of_a_stop_is_in_chassis_axes(ladders: dict[str, Ladder]) -> None:
    rack = next(s for s in ladders["moss"].left if "rack" in s.parts)
    assert rack.side == "right"
    # right of the centreline is negative; the rack's end is at 60 mm, its top at 40
    assert rack.at_mm == pytest.approx((-61, 40), abs=1.5)
    screw = ladders["tarn"].left[0]
    assert screw.side == "right"
    assert screw.at_mm[0] < 0


def test_a_touch_costs_what_the_free_machine_would_lean_further(ladders: dict[str, Ladder]) -> None:
    ladder = ladders["moss"]
    touch = next(s for s in ladder.left if not s.blocks)
    after = ladder.left[ladder.left.index(touch) + 1]
    free = parked_balance(demo("moss").machine, values(demo("moss").machine))
    lean = free(np.deg2rad(np.array([touch.throw_deg, after.throw_deg]))).lean_deg
    assert touch.gain_deg == pytest.approx(lean[1] - lean[0], abs=1e-9)
    # with the rack in the way the machine gains less over the same throw
    assert after.lean_deg - touch.lean_deg < touch.gain_deg


def test_states_can_be_handed_in() -> None:
    def still(machine: Machine, numbers: Numbers) -> StateSolver:
        def solve(throw: Array) -> States:
            o = np.zeros_like(throw)
            return States(throw, o, o, o, o, np.rad2deg(throw), o, o, o == 0)

        return solve

    ladder = find_stops(demo("moss").machine, None, still)
    assert not any("rack" in s.parts for s in ladder.left)
    assert ladder.left[0].lean_deg == pytest.approx(ladder.left[0].throw_deg)


@pytest.mark.parametrize("name", DEMOS)
def test_the_simple_balance_agrees_with_the_whole_one_where_nothing_is_in_the_way(name: str) -> None:
    machine = demo(name).machine
    throws = np.linspace(-20, 20, 9)
    whole = balance(stance_setup(machine), throws)
    simple = parked_balance(machine, values(machine))(np.deg2rad(throws))
    assert simple.lean_deg == pytest.approx(whole.lean_deg, abs=0.03)
    assert simple.load_left_N == pytest.approx(whole.runner_load_left_N, abs=0.05)


def test_the_simple_balance_carries_its_share_of_the_weight() -> None:
    machine = demo("wren").machine
    states = parked_balance(machine, values(machine))(np.deg2rad(np.linspace(-50, 50, 21)))
    front = 1.150 * 9.80665 * (210 - 92) / 210
    assert states.load_left_N + states.load_right_N == pytest.approx(np.full(21, front), abs=1e-9)
    assert states.droop_left_rad[10] == pytest.approx(0, abs=1e-9)
    assert states.sound.all()


def test_droop_touches_for_a_balance() -> None:
    moss = demo("moss").machine
    left, right = droop_touches(moss, values(moss))
    with_margin, _ = droop_touches(moss, values(moss), margin=True)
    assert left.down_rad[0] == pytest.approx(right.down_rad[0])
    assert np.isneginf(left.up_rad[0])
    # the margin of 0.3 mm over the lever that the gap closes by
    assert left.down_rad[0] - with_margin.down_rad[0] == pytest.approx(0.3 / left.down_mm_per_rad[0], rel=0.02)


def test_what_cannot_be_put_together_is_said_with_a_link_that_would() -> None:
    short = changed("tarn", ("length_mm = { at = 30.15, tol = 0.2, from", "length_mm = { at = 2, tol = 0.2, from"))
    with pytest.raises(GeometryError, match=r"no longer than the arm and the mount are apart"):
        find_stops(short)
    crooked = changed(
        "tarn", ("length_mm = { at = 30.15, tol = 0.2, from", "length_mm = { at = 9, tol = 0.2, from"),
        ("ball = { out_mm = 15, up_mm = 136", "ball = { out_mm = 40, up_mm = 136"),
    )  # fmt: skip
    with pytest.raises(GeometryError, match=r"A link of \d+\.\d+ mm would hold the mount"):
        find_stops(crooked)


def test_loads_are_whole_over_the_throw(ladders: dict[str, Ladder]) -> None:
    for ladder in ladders.values():
        for field in dataclasses.fields(ladder.loads):
            value = getattr(ladder.loads, field.name)
            for array in value if isinstance(value, tuple) else (value,):
                if isinstance(array, np.ndarray):
                    assert array.shape == ladder.loads.throw_deg.shape
