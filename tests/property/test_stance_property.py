"""What holds for any balanced pose: mirror image, weight, no lean without cause, and the energy behind the forces."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.linkage import GRAVITY_M_PER_S2, shock_length
from leanmix.machine import Numbers, demo, draw_builds, parse, values
from leanmix.stance import TURNS, Reason, Setup, balance, balance_push, parked_lean, stance_setup, tip_limits
from sims.reference.random_machine import random_machine

DEMOS = ("tarn", "wren", "moss")
THROW_DEG = {"tarn": 50.0, "wren": 45.0, "moss": 25.0}
SETUPS = {name: stance_setup(demo(name).machine) for name in DEMOS}


def _mirrored(name: str) -> Setup:
    """The machine with left and right exchanged and its balance point on the other side."""
    n = values(demo(name).machine)
    swap = {"left": "right", "right": "left"}
    table = {}
    for key, value in n.items():
        side, _, rest = key.partition(".")
        table[f"{swap[side]}.{rest}" if side in swap else key] = value
    table["chassis.cg_left_mm"] = -float(n["chassis.cg_left_mm"])
    return stance_setup(demo(name).machine, Numbers(table))


@given(
    name=st.sampled_from(DEMOS),
    share=st.floats(-1, 1),
    lateral=st.floats(-0.9, 0.9),
    bank=st.floats(-12, 12),
)
def test_mirrored_input_gives_mirrored_output(name: str, share: float, lateral: float, bank: float) -> None:
    throw = share * THROW_DEG[name]
    one = balance(SETUPS[name], throw, lateral, bank)
    other = balance(_mirrored(name), -throw, -lateral, -bank)
    assert bool(one.ok) == bool(other.ok)
    if not one.ok:
        return
    assert float(one.lean_deg) == pytest.approx(-float(other.lean_deg), abs=1e-9)
    assert float(one.heave_mm) == pytest.approx(float(other.heave_mm), abs=1e-8)
    assert float(one.runner_load_left_N) == pytest.approx(float(other.runner_load_right_N), abs=1e-8)


@given(name=st.sampled_from(DEMOS), share=st.floats(-1, 1), lateral=st.floats(-0.9, 0.9))
def test_loads_add_up_to_the_weight(name: str, share: float, lateral: float) -> None:
    setup = SETUPS[name]
    stance = balance(setup, share * THROW_DEG[name], lateral)
    if stance.ok:
        total = stance.runner_load_left_N + stance.runner_load_right_N + stance.rear_load_N
        assert float(total) == pytest.approx(float(setup.numbers["chassis.mass_g"]) * 1e-3 * GRAVITY_M_PER_S2, abs=1e-9)


@given(push=st.floats(-6, 6))
def test_no_turn_and_both_mounts_alike_give_no_lean(push: float) -> None:
    stance = balance_push(SETUPS["tarn"], push, push)
    assert float(stance.lean_deg) == pytest.approx(0.0, abs=1e-9)


@given(name=st.sampled_from(DEMOS), seed=st.integers(0, 10_000))
def test_a_pose_out_of_reach_is_not_guessed(name: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    setup = SETUPS[name]
    stance = balance(setup, rng.uniform(-90, 90, 12), rng.uniform(-3, 3, 12))
    bad = ~stance.ok
    assert np.isnan(stance.lean_deg[bad]).all()
    assert (stance.reason[bad] != Reason.OK).all()
    assert np.isfinite(stance.lean_deg[~bad]).all()
    assert (stance.stability_N_m_per_rad[~bad] > 0).all()


@given(share=st.floats(-0.9, 0.9), lateral=st.floats(-0.4, 0.4))
def test_a_path_does_not_depend_on_its_neighbours(share: float, lateral: float) -> None:
    alone = balance(SETUPS["tarn"], share * 50.0, lateral)
    among = balance(SETUPS["tarn"], np.array([share * 50.0, 0.0, 50.0])[:, None], np.array([0.0, lateral, 0.6]))
    assert float(among.lean_deg[0, 1]) == pytest.approx(float(alone.lean_deg), abs=1e-8)


def test_poses_among_many_are_poses_alone() -> None:
    """Of many poses along a path some are found first and guide the others; here unsorted, some asked for twice."""
    numbers = values(demo("tarn").machine).changed({"rear.roll_stiffness_N_m_per_rad": 25.0})
    setup = stance_setup(demo("tarn").machine, numbers)
    rng = np.random.default_rng(5)
    throws = np.array([-50.0, 17.0, 44.0])[:, None]
    turns = rng.permutation(np.r_[0.0, np.repeat(rng.uniform(-0.75, 0.75, 300), 2)])
    many = balance(setup, throws, turns)
    picked = rng.choice(turns.size, 40, replace=False)
    for i in picked:
        alone = balance(setup, throws, turns[[i]])
        np.testing.assert_array_equal(many.ok[:, i], alone.ok[:, 0])
        np.testing.assert_allclose(many.lean_deg[:, i], alone.lean_deg[:, 0], atol=1e-8)
        np.testing.assert_allclose(many.runner_load_left_N[:, i], alone.runner_load_left_N[:, 0], atol=1e-7)
    assert 0.5 < many.ok.mean() < 1.0


def test_a_machine_that_gives_way_and_is_caught_within_a_degree_goes_on() -> None:
    """Here a spring comes loose 0.4 mm before its shock is pulled right out: at 0.798 g nothing holds it for that way."""
    setup = stance_setup(parse(random_machine(10)).machine)
    turns = -np.linspace(0.78, 0.88, 21)
    at_once = balance(setup, -14.0, turns)
    assert at_once.ok.all()
    assert at_once.topped_right[-1]
    assert not at_once.topped_right[0]
    alone = [float(balance(setup, -14.0, turn).lean_deg) for turn in turns]
    np.testing.assert_allclose(at_once.lean_deg, alone, atol=1e-8)
    assert 0.05 < np.diff(at_once.lean_deg).max() < 0.3
    limits = tip_limits(setup, np.array([-21.0, -14.0]), "right")
    np.testing.assert_allclose(limits.gives_way_g, limits.sprung_g, rtol=1e-12)


def test_builds_at_once_are_builds_alone() -> None:
    machine = demo("tarn").machine
    drawn = draw_builds(machine, 25, seed=3)
    at_once = balance(stance_setup(machine, drawn), np.array([[-30.0], [20.0]]), 0.3)
    for i in (0, 7, 24):
        one = Numbers({k: float(v[i]) if np.ndim(v) else v for k, v in drawn.items()})
        alone = balance(stance_setup(machine, one), np.array([-30.0, 20.0]), 0.3)
        np.testing.assert_allclose(at_once.lean_deg[:, i], alone.lean_deg, atol=1e-8)


@given(push=st.floats(-5, 5))
def test_moving_the_mounts_stores_what_it_takes(push: float) -> None:
    """Standing still the work of the mounts is the gain of springs and height: shock force along the mount is its slope."""
    setup = stance_setup(demo("tarn").machine, pitch=False)
    step = 1e-3
    s = setup.sides

    def stored(at: float) -> float:
        stance = balance_push(setup, at, -at)
        springs = 0.0
        for i, side in enumerate(("left", "right")):
            squeezed = max(float(s.slack[i, 0]) - float(getattr(stance, f"shock_{side}_mm")), 0.0)
            springs += 0.5 * float(s.rate[i, 0]) * squeezed**2
        weight = float(setup.numbers["chassis.mass_g"]) * 1e-3 * GRAVITY_M_PER_S2
        rear = 0.5 * float(setup.body.roll_stiffness[0]) * np.deg2rad(float(stance.lean_deg)) ** 2
        return springs + rear + weight * float(stance.cg_up_mm)

    def along(at: float, side: str, i: int) -> float:
        stance = balance_push(setup, at, -at)
        geo = setup.geometry[i]
        droop = np.deg2rad(float(getattr(stance, f"droop_{side}_deg")))
        per_push = shock_length(geo, at if side == "left" else -at, droop).per_push
        return -float(getattr(stance, f"shock_{side}_N")) * float(per_push)

    slope = (stored(push + step) - stored(push - step)) / (2 * step)
    assert slope == pytest.approx(along(push, "left", 0) - along(push, "right", 1), abs=2e-4)


@pytest.mark.parametrize("name", DEMOS)
def test_the_fold_is_found_the_same_by_two_ways(name: str) -> None:
    throws = np.array([-0.8, 0.0, 0.8]) * THROW_DEG[name]
    for turn in TURNS:
        limits = tip_limits(SETUPS[name], throws, turn)
        sign = 1.0 if turn == "left" else -1.0
        asked = limits.gives_way_g + np.linspace(-0.05, 0.05, 201)[:, None]
        stands = balance(SETUPS[name], np.broadcast_to(throws, asked.shape), sign * asked).ok
        last = asked[0] + 5e-4 * (np.cumprod(stands, axis=0).sum(axis=0) - 1)
        np.testing.assert_allclose(last, limits.gives_way_g, atol=6e-4)
        assert (limits.sprung_g >= limits.gives_way_g).all()
        assert (limits.lift_g <= limits.sprung_g).all()


@pytest.mark.parametrize("name", DEMOS)
def test_parked_lean_is_a_band_about_the_rolling_lean_and_wider_with_more_grip(name: str) -> None:
    throws = np.array([-0.9, 0.0, 0.4, 0.9]) * THROW_DEG[name]
    none, little, much, most = (parked_lean(SETUPS[name], throws, grip) for grip in (0.0, 0.2, 0.6, 1.2))
    np.testing.assert_allclose(none.most_deg - none.least_deg, 0.0, atol=1e-9)
    # upright, a rear that touches at one point resists no turning: nothing then holds the runners to one side
    assert (np.delete(little.most_deg - little.least_deg, 1) > 0.01).all()
    for less, more in ((none, little), (little, much), (much, most)):
        # nodes on the way settle to 1e-4 mm only
        assert (more.least_deg <= less.least_deg + 1e-5).all()
        assert (less.most_deg <= more.most_deg + 1e-5).all()
