"""Lean, load transfer and the tip threshold on springs, against worked examples and textbook formulas."""

from __future__ import annotations

import numpy as np
import pytest

from leanmix.machine import demo, parse, set_value
from leanmix.stance import Setup, Turn, balance, gain_of_leaning, stance_setup, tip_limits


def machine(**changes: float) -> Setup:
    """Wren with numbers changed; `__` stands for the dot of a key."""
    text = demo("wren").text
    for key, value in changes.items():
        text = set_value(text, key.replace("__", "."), value)
    return stance_setup(parse(text).machine)


# arms level and equally long, the runner straight over its contact: the contact moves as the lower ball does
LEVEL_ARMS = {
    "side__suspension__lower_pivot__up_mm": 30, "side__suspension__lower_ball__up_mm": 30,
    "side__suspension__upper_pivot__up_mm": 48, "side__suspension__upper_ball__up_mm": 48,
    "side__suspension__upper_pivot__out_mm": 24, "side__suspension__upper_ball__out_mm": 68,
}  # fmt: skip


def test_wheel_rate() -> None:
    """Automotive Chassis Engineering §3.9: k_w = k_s·(motion ratio)² for small travel; 400·0.8² = 256."""
    # the shock stands upright on the lower arm at 0.8 of its 44 mm
    out = 24 + 0.8 * 44
    setup = machine(
        **LEVEL_ARMS, side__mount__eye__out_mm=out, side__shock__lower_eye__out_mm=out,
        side__shock__lower_eye__up_mm=30, side__shock__rate_N_per_mm=0.4,
    )  # fmt: skip
    little = balance(setup, 0.0, np.array([-0.002, 0.002]))
    for side in ("left", "right"):
        loads, droops = getattr(little, f"runner_load_{side}_N"), np.deg2rad(getattr(little, f"droop_{side}_deg"))
        # bump raises the runner towards the chassis, so load falls as the arm droops
        rate = -np.diff(loads)[0] / (44 * np.diff(np.sin(droops))[0])
        assert rate == pytest.approx(0.256, rel=0.01)


def transferred_g(setup: Setup, lateral_g: float) -> tuple[float, float]:
    """Mass that a turn moves from the inner to the outer side [g]: runners, and the rear taken at its width."""
    turning = balance(setup, 0.0, lateral_g)
    assert turning.ok
    to_g = 1000 / 9.80665
    front = float(turning.runner_load_right_N - turning.runner_load_left_N) / 2 * to_g
    half = float(setup.numbers["rear.half_width_mm"])
    rear = -float(turning.rear_load_N * turning.rear_pressure_left_mm) / (2 * half) * to_g
    return front, rear


STIFF = {
    "side__shock__rate_N_per_mm": 50, "rear__pivot_up_mm": 0, "side__suspension__unsprung_g": 0, "rear__mass_g": 0,
    "chassis__cg_left_mm": 0,
}  # fmt: skip


def test_axle_load_transfer_of_a_worked_example() -> None:
    """Machine-design worked example: 750 kg at 1 g, height 520, track 1580 mm move 246.84 kg. Here in g and 1/10 size.

    The rear is a ball that carries no moment, so both runners take all of it, as an axle does in the example.
    """
    front, rear = transferred_g(
        machine(
            **STIFF, chassis__mass_g=750, chassis__cg_up_mm=52, chassis__cg_behind_mm=40,
            side__suspension__contact__out_mm=79, rear__half_width_mm=1, rear__roll_stiffness_N_m_per_rad=0,
        ),
        1.0,
    )  # fmt: skip
    assert front == pytest.approx(246.84, rel=0.01)
    assert rear == pytest.approx(0, abs=0.5)


def test_axles_share_a_turn_as_a_worked_example_has_it() -> None:
    """Univ. of Texas racing pages: 600 kg, 40/60, tracks 1457/1416 mm, h 300 mm, 2 g: 98.83 kg in front, 152.54 kg behind.

    Each axle carries its own share of weight there, so front and rear are as stiff as 40 to 60. In g, at 1/10 size.
    """
    rate = 0.8**2 * 50
    front_stiffness = 2 * rate * 72.85**2 * 1e-3  # N m/rad
    out = 24 + 0.8 * 44
    front, rear = transferred_g(
        machine(
            **LEVEL_ARMS, **(STIFF | {"side__shock__rate_N_per_mm": 50}), chassis__mass_g=600, chassis__cg_up_mm=30,
            side__mount__eye__out_mm=out, side__shock__lower_eye__out_mm=out, side__shock__lower_eye__up_mm=30,
            chassis__cg_behind_mm=0.6 * 210, side__suspension__contact__out_mm=72.85, rear__half_width_mm=70.8,
            rear__roll_stiffness_N_m_per_rad=1.5 * front_stiffness,
        ),
        2.0,
    )  # fmt: skip
    assert front == pytest.approx(98.83, rel=0.01)
    assert rear == pytest.approx(152.54, rel=0.01)


def four_supports(rate_N_per_mm: float, cg_up_mm: float) -> Setup:
    """What the textbook has in mind: both ends as stiff, as wide and as heavy as each other, rolling about the road."""
    out, wide = 24 + 0.8 * 44, 79
    return machine(
        **LEVEL_ARMS, side__mount__eye__out_mm=out, side__shock__lower_eye__out_mm=out,
        side__shock__lower_eye__up_mm=30, side__shock__rate_N_per_mm=rate_N_per_mm, side__shock__length_max_mm=90,
        side__shock__length_min_mm=20, side__suspension__unsprung_g=0, rear__mass_g=0, chassis__cg_left_mm=0,
        chassis__cg_behind_mm=105, chassis__cg_up_mm=cg_up_mm, side__suspension__contact__out_mm=wide,
        rear__half_width_mm=wide, rear__pivot_up_mm=0,
        rear__roll_stiffness_N_m_per_rad=rate_N_per_mm * 0.64 * 2 * wide**2 * 1e-3,
    )  # fmt: skip


@pytest.mark.parametrize(
    # the last leans 6° before it goes, where small angles and a constant Rφ no longer serve
    ("rate", "cg_up", "apart"),
    [(1.2, 50.0, 0.015), (3.0, 80.0, 0.015), (1.2, 80.0, 0.015), (0.5, 50.0, 0.06)],
)
def test_threshold_on_springs(rate: float, cg_up: float, apart: float) -> None:
    """T. Gillespie, Fundamentals of Vehicle Dynamics, ch. 9 (from memory): ay/g = (t/2h)/(1 + Rφ(1 − hr/h)).

    Rφ, roll per g, is by hand: W h over the springs' stiffness less W h (both ends alike, roll axis on the road).
    The book keeps it constant and its angles small.
    """
    setup = four_supports(rate, cg_up)
    falls = 1.150 * 9.80665 * cg_up * 1e-3
    roll_per_g = falls / (2 * rate * 0.64 * 2 * 79**2 * 1e-3 - falls)
    little = balance(setup, 0.0, np.array([-0.002, 0.002]))
    assert np.deg2rad(-np.diff(little.lean_deg)[0]) / 0.004 == pytest.approx(roll_per_g, rel=0.005)
    book = 79 / cg_up / (1 + roll_per_g)
    assert float(tip_limits(setup).sprung_g) == pytest.approx(book, rel=apart)


@pytest.mark.parametrize("name", ["tarn", "wren", "moss"])
def test_three_supports_on_springs_stay_below_the_textbook(name: str) -> None:
    """The same formula with the demos' own roll per g: their light inner runner lifts first and takes its spring's help
    away, so they tip before it (4 to 12 % here), and the rigid figure flatters more than the formula does."""
    setup = stance_setup(demo(name).machine)
    limits, little = tip_limits(setup), balance(setup, 0.0, np.array([-0.02, 0.02]))
    roll_per_g = np.deg2rad(-np.diff(little.lean_deg)[0]) / 0.04
    share = 1 - float(setup.numbers["rear.pivot_up_mm"]) / float(setup.numbers["chassis.cg_up_mm"])
    book = float(limits.rigid_g) / (1 + roll_per_g * share)
    assert 0.75 * book < float(limits.sprung_g) < book


@pytest.mark.parametrize("turn", ["left", "right"])
@pytest.mark.parametrize("name", ["tarn", "wren", "moss"])
def test_gain_of_leaning_parted_by_moments_adds_up_to_what_the_path_found(name: str, turn: Turn) -> None:
    """Moments about the road where it gives way: a h = y − Σ xF/W (statics); the limits come from following the path."""
    setup = stance_setup(demo(name).machine)
    throw = 25.0 if turn == "left" else -25.0
    found, limits = gain_of_leaning(setup, throw, turn), tip_limits(setup, np.array([0.0, throw]), turn)
    assert found is not None
    assert [found.upright_g, found.leaning_g] == pytest.approx(limits.gives_way_g, abs=1e-3)
    parts = found.by_cg_g + found.by_runners_g + found.by_rear_g + found.by_height_g
    assert parts == pytest.approx(found.leaning_g - found.upright_g, abs=1e-9)
    assert parts == pytest.approx(float(np.diff(limits.gives_way_g)[0]), abs=1e-3)
    assert found.by_cg_g > 0
    assert found.cg_in_mm > 0
