"""Tipping, sliding and weighing against published values and textbook formulas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from leanmix.errors import LeanmixError
from leanmix.machine import Measured, demo, values
from leanmix.stance import (
    Setup,
    Stance,
    balance,
    cg_along_across,
    cg_up_from_raised_rear,
    cg_up_from_tilt,
    rigid_tip_g,
    slide_g,
    speed_m_per_s,
    stance_setup,
    tip_limits,
)

# NHTSA light vehicle inertial data (SAE 1999-01-1336) and its new-car programme:
# track T [in], height of the balance point h [in], static stability factor T/(2h) as published
SSF = [
    (66.0, 18.05, 1.8275), (62.4, 18.22, 1.7129), (56.4, 17.71, 1.591), (59.74, 21.78, 1.3716), (67.2, 26.50, 1.2679),
    (67.4, 31.31, 1.0759), (68.0, 31.60, 1.0774), (59.1, 26.33, 1.123), (58.2, 22.48, 1.295),
]  # fmt: skip
# rows of the 2004 file that are misprinted: T, h, what is printed
MISPRINTED = [(61.08, 26.58, 1.416), (66.9, 28.48, 1.216), (65.2, 28.44, 1.187)]


def boxy(track: float, height: float, rear_track: float | None = None, bank_deg: float = 0.0) -> tuple[Setup, Stance]:
    """A rigid machine of given track and height, upright; four supports of one track unless told otherwise."""
    setup = stance_setup(demo("wren").machine)
    half = (track if rear_track is None else rear_track) / 2
    numbers = values(demo("wren").machine).changed({"rear.half_width_mm": half})
    pose = replace(
        balance(setup, 0.0),
        contact_left_mm=np.array(track / 2), contact_right_mm=np.array(-track / 2),
        cg_left_mm=np.array(0.0), cg_up_mm=np.array(height), bank_deg=np.array(bank_deg),
    )  # fmt: skip
    return replace(setup, numbers=numbers), pose


@pytest.mark.parametrize(("track", "height", "ssf"), SSF)
def test_rigid_limit_of_four_supports_is_the_static_stability_factor(track: float, height: float, ssf: float) -> None:
    for turn in ("left", "right"):
        assert float(rigid_tip_g(*boxy(track, height), turn)) == pytest.approx(ssf, abs=0.002)


@pytest.mark.parametrize(("track", "height", "printed"), MISPRINTED)
def test_misprinted_rows_do_not_agree(track: float, height: float, printed: float) -> None:
    assert abs(float(rigid_tip_g(*boxy(track, height), "left")) - printed) > 0.03


def test_three_supports_tip_earlier_than_four_of_the_same_track() -> None:
    """Huston, Graves & Johnson, SAE 820139 (abstract)."""
    four = float(rigid_tip_g(*boxy(160, 58), "left"))
    three = float(rigid_tip_g(*boxy(160, 58, rear_track=2), "left"))
    assert three < 0.8 * four


def test_threshold_on_a_bank() -> None:
    """T. Gillespie, Fundamentals of Vehicle Dynamics, ch. 9 (from memory): ay/g = (t/2 + φh)/h for small φ."""
    for bank in (0.5, 1.0, 2.0):
        got = float(rigid_tip_g(*boxy(150, 60, bank_deg=bank), "left"))
        gillespie = (75 + np.deg2rad(bank) * 60) / 60
        # the book's formula leaves out the share of the acceleration that presses onto the bank: 1/(1 − r φ), r = t/2h
        assert got == pytest.approx(gillespie / (1 - 1.25 * np.tan(np.deg2rad(bank))), rel=1e-3)
        against = float(rigid_tip_g(*boxy(150, 60, bank_deg=bank), "right"))
        assert against < 1.25 < got


def test_tilt_table_ratio() -> None:
    """SAE J2180 (abstract): the ratio is tan(tilt at lift-off); 0.5 is about 26.6°, tan 27° = 0.5095."""
    assert cg_up_from_tilt(Measured(27.0), Measured(0.5095 * 90)).at == pytest.approx(90, rel=1e-4)
    assert cg_up_from_tilt(Measured(26.565), Measured(45.0)).at == pytest.approx(90, rel=1e-4)


def test_speed_of_a_steady_turn() -> None:
    """OpenStax College Physics ch. 6: tan θ = v²/(r g); v 12 m/s, r 30 m → 26.1°."""
    assert float(speed_m_per_s(np.tan(np.deg2rad(26.1)), 30)) == pytest.approx(12, abs=0.03)


def test_without_grip_it_slides_unless_the_bank_carries_the_turn() -> None:
    assert float(slide_g(0.0, "left", 20.0)) == pytest.approx(np.tan(np.deg2rad(20)))
    assert float(slide_g(0.0, "right", 20.0)) == pytest.approx(-np.tan(np.deg2rad(20)))
    assert float(slide_g(0.5)) == 0.5


@pytest.mark.parametrize("name", ["tarn", "wren", "moss"])
def test_loads_on_the_road_balance_weight_and_turn(name: str) -> None:
    """Moments about the road by hand: what the road carries, where it carries it, against weight and turn at the
    balance point. This is the lateral load transfer formula m·a·h, shared out over all supports."""
    setup = stance_setup(demo(name).machine)
    held_by_moments(setup, np.array([0.0, 20.0, 35.0, -10.0]), np.array([0.0, 0.1, 0.25, -0.2]))
    # hard by the fold, where Wren's rear stands on its edge; in the front view, as the pitch there adds 1e-4 of it
    setup = stance_setup(demo(name).machine, pitch=False)
    throw = np.array([0.0, 30.0])
    s = held_by_moments(setup, throw, tip_limits(setup, throw).gives_way_g - 1e-3)
    assert name != "wren" or np.all(np.abs(s.rear_tilt_deg) > 1)


def held_by_moments(setup: Setup, throw: np.ndarray, a: np.ndarray) -> Stance:
    """Weight, and moments about the road, of poses that must all exist."""
    s = balance(setup, throw, a)
    assert s.ok.all()
    weight = s.runner_load_left_N + s.runner_load_right_N + s.rear_load_N
    assert weight == pytest.approx(float(setup.numbers["chassis.mass_g"]) * 9.80665e-3, rel=1e-9)
    carried = (
        s.runner_load_left_N * s.contact_left_mm
        + s.runner_load_right_N * s.contact_right_mm
        + s.rear_load_N * s.rear_pressure_left_mm
    )
    assert carried == pytest.approx(
        weight * (s.cg_left_mm - a * s.cg_up_mm), abs=1e-3 * float(weight[0])
    )  # 1 µm of arm: what the balance is solved to
    return s


def scales(
    x: float, y: float, h: float, m: float = 2900.0, length: float = 290.0, out: float = 134.0, lift: float = 90.0
):
    """What scales read under a rigid machine, by moments; the rear raised by `lift`."""
    rear = m * x / length
    front = m - rear
    left = (front + m * y / out) / 2
    angle = np.arcsin(lift / length)
    raised = m - m * (x * np.cos(angle) - h * np.sin(angle)) / (length * np.cos(angle))
    return left, front - left, rear, raised


def test_weighing_finds_the_balance_point_that_the_scales_were_made_from() -> None:
    left, right, rear, raised = scales(168.0, 4.0, 96.0)
    found = cg_along_across(*(Measured(v) for v in (left, right, rear, 290.0, 134.0, 134.0)))
    assert found.mass_g.at == pytest.approx(2900)
    assert found.cg_behind_mm.at == pytest.approx(168)
    assert found.cg_left_mm.at == pytest.approx(4)
    up = cg_up_from_raised_rear(*(Measured(v) for v in (2900.0, left + right, raised, 290.0, 90.0, 0.0)))
    assert up.at == pytest.approx(96)


def test_weighing_states_no_less_and_not_much_more_than_it_knows() -> None:
    rng = np.random.default_rng(5)
    left, right, rear, raised = scales(168.0, 4.0, 96.0)
    tols = (5.0, 5.0, 5.0, 2.0, 1.0, 1.0)
    true = np.array((left, right, rear, 290.0, 134.0, 134.0))
    inside = np.zeros(4)
    runs = 4000
    for _ in range(runs):
        read = true + rng.standard_normal(6) * np.array(tols) / 1.959964
        w = cg_along_across(*(Measured(v, t) for v, t in zip(read, tols, strict=True)))
        r2 = (
            np.array((2900.0, left + right, raised, 290.0, 90.0))
            + rng.standard_normal(5) * np.array((5, 7, 5, 2, 1)) / 1.959964
        )
        up = cg_up_from_raised_rear(*(Measured(v, t) for v, t in zip(r2, (5, 7, 5, 2, 1), strict=True)), Measured(0.0))
        for i, (m, at) in enumerate(((w.mass_g, 2900), (w.cg_behind_mm, 168), (w.cg_left_mm, 4), (up, 96))):
            assert m.tol is not None
            inside[i] += abs(m.at - at) <= m.tol
    assert np.all(np.abs(inside / runs - 0.95) < 0.015)  # 4 sigma of the count is 0.014


@pytest.mark.parametrize("bad", [0.0, 0.5, 89.5, 180.0])
def test_readings_that_tell_nothing_are_refused(bad: float) -> None:
    with pytest.raises(LeanmixError):
        cg_up_from_tilt(Measured(bad), Measured(80.0))
    with pytest.raises(LeanmixError):
        cg_up_from_raised_rear(*(Measured(v) for v in (2900.0, 1200.0, 1300.0, 290.0, bad / 100, 0.0)))
    with pytest.raises(LeanmixError):
        cg_along_across(*(Measured(v) for v in (0.0, 0.0, 0.0, 290.0, 134.0, 134.0)))
