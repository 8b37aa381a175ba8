"""The curve: rising, capped, inverted exactly, fitted closely, proved or refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.curve import (
    WayLimit,
    asked_deg,
    capped,
    every_input,
    find_caps,
    make_plan,
    make_table,
    plan_pulses_us,
    plan_throw_deg,
    prove,
    rising_part,
    servo_errors,
    steer_of_pulse,
    throw_of_lean,
    worst_case,
    worst_throw_deg,
)
from leanmix.errors import NoAnswer, NotProved
from leanmix.linkage import throw_at_pulse_rad
from leanmix.machine import demo, parse, values
from leanmix.mixer import lookup

LIMIT = WayLimit(40.0, 39.0, "a test block")
STEER = np.linspace(-1, 1, 2001)
TARN = demo("tarn")


def lean_of_throw(throw: np.ndarray) -> np.ndarray:
    """Rising, curved, unlike left and right."""
    return np.asarray(0.25 * throw - 2e-5 * throw**3 + 2e-4 * throw**2)


def plan_for(name: str = "tarn", **lean: float):
    source = demo(name)
    numbers = values(source.machine).changed({f"lean.{k}": v for k, v in lean.items()})
    return make_plan(source.machine, numbers, find_caps(source.machine, numbers, LIMIT, LIMIT), lean_of_throw)


@given(st.floats(-1, 1), st.floats(0, 0.5), st.floats(0, 45), st.floats(0, 45))
def test_ask_rises_from_full_right_to_full_left(shape: float, deadband: float, left: float, right: float) -> None:
    numbers = values(TARN.machine).changed(
        {"lean.shape": shape, "lean.deadband": deadband, "lean.left_deg": left, "lean.right_deg": right}
    )
    degrees = asked_deg(TARN.machine, numbers, STEER)
    assert np.all(np.diff(degrees) >= -1e-9)
    assert degrees[0] == pytest.approx(-right)
    assert degrees[-1] == pytest.approx(left)
    assert degrees[1000] == 0
    assert np.all(degrees[np.abs(STEER) <= deadband] == 0)


@given(st.floats(0, 60), st.floats(0, 60), st.floats(0, 20))
def test_capped_never_passes_a_cap_rises_and_is_smooth(left: float, right: float, knee: float) -> None:
    throw = np.linspace(-90, 90, 7201)
    held = capped(throw, left, right, knee)
    assert held.max() <= left
    assert held.min() >= -right
    assert np.all(np.diff(held) >= 0)
    assert np.all(np.abs(held) <= np.abs(throw) + 1e-12)
    slope = np.diff(held) / np.diff(throw)
    if min(left, right) > knee > 1:
        assert np.abs(np.diff(slope)).max() <= 0.025 / (2 * knee) * 1.01 + 1e-9  # curvature 1/(2 knee), no corner


@given(st.lists(st.floats(-9, 9), min_size=1, max_size=20))
def test_inverse_is_exact_to_a_billionth_of_a_radian(wanted: list[float]) -> None:
    rising = rising_part(lean_of_throw, 45, 45)
    lean = np.array(wanted)
    throw = throw_of_lean(rising, lean)
    slope = 0.25 - 6e-5 * throw**2 + 4e-4 * throw
    assert np.abs((lean_of_throw(throw) - lean) / slope).max() <= np.rad2deg(1e-9) * 1.5


def test_inverse_copes_with_a_corner_where_a_part_touches() -> None:
    def corner(t: np.ndarray) -> np.ndarray:
        return np.where(t < 20, 0.25 * t, 5 + 0.05 * (t - 20))

    rising = rising_part(corner, 40, 40)
    lean = np.linspace(-9.9, 5.99, 777)
    assert corner(throw_of_lean(rising, lean)) == pytest.approx(lean, abs=1e-8)


def test_stretch_ends_where_lean_no_longer_grows() -> None:
    rising = rising_part(lambda t: np.where(t > 30, 7.5, 0.25 * t), 40, 40)
    assert rising.ends_left
    assert not rising.ends_right
    assert rising.throw_deg[-1] == pytest.approx(30, abs=0.2)


@pytest.mark.parametrize("bad", [lambda t: 0 * t, lambda t: -t, lambda t: np.nan * t])
def test_no_answer_where_lean_does_not_rise(bad: object) -> None:
    with pytest.raises(NoAnswer):
        rising_part(bad, 40, 40)  # type: ignore[arg-type]
    with pytest.raises(NoAnswer):
        rising_part(lean_of_throw, 0, 0)


@pytest.mark.parametrize("name", ["tarn", "wren", "moss"])
def test_table_is_within_half_a_microsecond_of_the_exact_mapping_at_every_input(name: str) -> None:
    plan = plan_for(name)
    table = make_table(plan, bytes(32))
    pulses = every_input(plan)
    assert len(pulses) > 6000
    # compared here with the mapping itself, not with what the fit says of itself
    wanted, held = plan_throw_deg(table.plan, steer_of_pulse(plan.numbers, pulses / 8))
    knee = np.abs(wanted - held) > 1e-9
    for i, exact in enumerate(plan_pulses_us(table.plan, held)):
        off = np.abs(lookup(table.image, pulses, i) / 8 - exact)
        assert off[~knee].max() <= 0.5
        assert off[knee].max(initial=0) <= 1.0


@given(st.floats(0, 30), st.floats(0, 30), st.floats(-0.9, 0.9), st.floats(0, 0.3))
def test_whatever_is_asked_the_arm_stays_clear_of_the_block(
    left: float, right: float, shape: float, deadband: float
) -> None:
    plan = plan_for(left_deg=left, right_deg=right, shape=shape, deadband=deadband)
    table = make_table(plan, bytes(32), widen_knee=False)
    checks = worst_case(table, LIMIT, LIMIT)
    assert all(c.passed for c in checks if "close to the exact" not in c.name)
    # an independent look: nominal arm angle of every output over every input
    pulses = lookup(table.image, np.arange(65536)) / 8
    throw = np.rad2deg(throw_at_pulse_rad(plan.machine, plan.numbers, (pulses,))[0])
    assert np.abs(throw).max() <= 39.0 - 1.0


def test_worst_throw_holds_every_corner_of_the_calibration() -> None:
    error = servo_errors(TARN.machine, values(TARN.machine))[0]
    rng = np.random.default_rng(1)
    gain = 10.2 + rng.uniform(-0.15, 0.15, 20000)
    neutral = 1500 + rng.uniform(-4, 4, 20000)
    play = rng.uniform(-0.25, 0.25, 20000)
    for pulse in (1100.0, 1500.0, 1933.0):
        least, most = worst_throw_deg(error, pulse)
        throw = (pulse - neutral) / gain + play
        assert least <= throw.min()
        assert throw.max() <= most
        assert most - least < (throw.max() - throw.min()) * 1.5 + 1.5


def test_a_table_with_one_bad_knot_is_refused() -> None:
    table = make_table(plan_for(), bytes(32))
    output = table.image.outputs[0]
    knots = list(output.knots_eighths)
    knots[20] = knots[18]
    bent = replace(table, image=replace(table.image, outputs=(replace(output, knots_eighths=tuple(knots)),)))
    with pytest.raises(NotProved, match="more steer never gives less lean"):
        prove(bent, LIMIT, LIMIT)


def test_a_table_capped_for_another_machine_is_refused() -> None:
    table = make_table(plan_for(left_deg=20, right_deg=20), bytes(32))
    with pytest.raises(NotProved, match=r"leaning left.*the frame"):
        prove(table, WayLimit(25.0, 24.0, "the frame"), LIMIT)
    with pytest.raises(NotProved, match=r"leaning right.*the frame"):
        prove(table, LIMIT, WayLimit(25.0, 24.0, "the frame"))
    assert prove(table, LIMIT, LIMIT).data == table.image.encode()


def test_a_reversed_receiver_and_a_reversed_servo_lean_the_same_way() -> None:
    text = TARN.text.replace('longer_pulse_leans = "left"', 'longer_pulse_leans = "right"')
    text = text.replace("pulse_left_us = 1900", "pulse_left_us = 1100").replace(
        "pulse_right_us = 1100", "pulse_right_us = 1900"
    )
    source = parse(text)
    numbers = values(source.machine)
    plan = make_plan(source.machine, numbers, find_caps(source.machine, numbers, LIMIT, LIMIT), lean_of_throw)
    table, straight = make_table(plan, bytes(32)), make_table(plan_for(), bytes(32))
    pulses = np.arange(8800, 15201)
    mirrored = lookup(straight.image, pulses).astype(int) - 12000
    assert (
        np.abs((lookup(table.image, 24000 - pulses).astype(int) - 12000) + mirrored).max() <= 16
    )  # each within 1 µs of the same mapping
    prove(table, LIMIT, LIMIT)


def test_own_cap_servo_range_and_travel_each_govern_where_they_are_nearest() -> None:
    def why(text: str, limit: WayLimit) -> str:
        m = parse(text).machine
        return find_caps(m, values(m), limit, limit).left.why

    far = WayLimit(np.inf, np.inf, "nothing")
    assert "your own cap" in why(TARN.text.replace("knee_deg = 5", "knee_deg = 5\ncap_left_deg = 20"), LIMIT)
    assert "servo's own end" in why(TARN.text, far)
    assert "pulse limit 1700" in why(TARN.text.replace("pulse_max_us = 2200", "pulse_max_us = 1700"), far)
    assert "calibration at its worst" in why(TARN.text, WayLimit(40.0, 30.0, "rack"))
    assert "short of: rack" in why(TARN.text, WayLimit(30.0, 30.0 + 5, "rack"))
