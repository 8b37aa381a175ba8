"""Manoeuvre files, servos in time, ways, steps, and what is kept of a map."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from leanmix.errors import FileTrouble, ManoeuvreError, NoAnswer
from leanmix.linkage import servo_line
from leanmix.machine import demo, values
from leanmix.mixer import FRAME_MS
from leanmix.response import MANOEUVRES, changed, follow, load_manoeuvre, loop_width, parse_axis, parse_manoeuvre
from leanmix.response.engine import step_ms_for
from leanmix.response.manoeuvre import REPORTS
from leanmix.response.planar import track_shares
from leanmix.response.servo import servo_moves, servo_plugs, servo_start
from leanmix.response.sideforce import bend_mean_and_next, grip_left_N, grip_share_and_slope
from leanmix.response.vehicle import make_vehicle
from leanmix.response.way import Chain, chain_at, manoeuvre_chain, stack_chains

GOOD = """
schema = 1
name = "mine"
report = ["tip"]
duration_s = 1
[pace]
speed_m_per_s = 2
[[steer]]
at_s = 0
share = 0
"""


def test_every_manoeuvre_that_comes_along_is_good_and_reports_what_can_be_reported() -> None:
    for name in MANOEUVRES:
        m = load_manoeuvre(name)
        assert m.about.strip()
        assert set(m.report) <= set(REPORTS)
        assert np.isfinite(manoeuvre_chain(m).value).all()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("speed_m_per_s = 2", "speed_m_per_s = nan", "pace.speed_m_per_s"),
        ("speed_m_per_s = 2", "speed_m_per_s = -2", "0 to 40 m/s"),
        ("speed_m_per_s = 2", 'speed_m_per_s = "2"', "is text"),
        ("speed_m_per_s = 2", "speed_mph = 2", "is not a key"),
        ("share = 0", "share = 1.5", "steer.0.share"),
        ('["tip"]', '["nose"]', "report.0"),
        ('["tip"]', "[]", "report"),
        ("duration_s = 1", "", "duration_s: is missing"),
        ("schema = 1", "schema = 2", "schema"),
        ("[[steer]]", "[[path]]", "path.0"),
        ("share = 0\n", "share = 0\n[[steer]]\nat_s = 0\nshare = 1\n", "must rise"),
        ("share = 0\n", "share = 0\n[[path]]\nlength_m = 1\n", "both [[steer]] and [[path]]"),
        ("share = 0\n", 'share = 0\n[ground]\nsurface = "ice"\ngrip = 1\n', "both surface and grip"),
        ("[pace]", "[pace", "not TOML"),
    ],
)
def test_bad_files_name_the_key_and_what_to_do(old: str, new: str, says: str) -> None:
    with pytest.raises(ManoeuvreError) as caught:
        parse_manoeuvre(GOOD.replace(old, new), "mine.toml")
    assert says in str(caught.value)
    assert "mine.toml" in str(caught.value)


def test_a_wrong_line_is_named() -> None:
    with pytest.raises(ManoeuvreError, match="line 10"):
        parse_manoeuvre(GOOD.replace("share = 0", "share = 7"))


def test_a_file_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(FileTrouble, match="step, flick"):
        load_manoeuvre(tmp_path / "none.toml")
    odd = tmp_path / "odd.toml"
    odd.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileTrouble, match="UTF-8"):
        load_manoeuvre(odd)


def test_changed_numbers_are_checked_like_a_file() -> None:
    circle = load_manoeuvre("circle")
    assert changed(circle, {"path.1.radius_m": -2.0}).path[1].radius_m.at == -2.0  # type: ignore[union-attr]
    for key, value in (("path.7.radius_m", 1.0), ("pace.hold", 1.0), ("name", 1.0), ("pace.speed_m_per_s", 99.0)):
        with pytest.raises(ManoeuvreError, match=key):
            changed(circle, {key: value})


def test_chains_one_for_all_or_one_a_run() -> None:
    a = Chain(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 0.0]))
    b = Chain(np.array([0.0, 4.0]), np.array([2.0, 0.0]))
    where = np.array([-1.0, 0.5, 1.5, 9.0])
    assert chain_at(a, where) == pytest.approx([0.0, 0.5, 0.5, 0.0])
    both = stack_chains([a, b], np.array([0, 1, 0, 1]))
    assert chain_at(both, where) == pytest.approx([0.0, 1.75, 0.5, 0.0])


def test_a_weave_comes_back_to_the_line() -> None:
    m = load_manoeuvre("slalom")
    chain = manoeuvre_chain(m)
    s = np.linspace(0, float(chain.end), 40001)
    heading = np.cumsum(chain_at(chain, s)) * (s[1] - s[0])
    start = float(np.interp(1.55, s, heading))
    turned = heading - start
    # the curve y = A sin(πx/g) leaves its line at atan(Aπ/g) either way
    slope = np.arctan(0.35 * np.pi / 2.0)
    assert np.ptp(turned) == pytest.approx(2 * slope, rel=0.02)


def test_servo_speed_deadband_and_stall() -> None:
    machine = demo("tarn").machine
    n = values(machine)
    line, plugs = servo_line(n), servo_plugs(machine, n)
    move = servo_moves(line, plugs, (np.array([-2.0]), np.array([2.0])), 1e-3)
    none = np.zeros((1, 1))
    state = servo_start(1, 1)
    state.target_rad = none + np.deg2rad(60.0)
    seconds = 0
    while np.rad2deg(state.motor_rad[0, 0]) < 50.0:
        move(state, none, none)
        seconds += 1
    # 400 deg/s at its rated voltage (the demo file): 50° take 125 ms
    assert seconds == pytest.approx(125, abs=2)
    for _ in range(500):
        move(state, none, none)
    short = np.deg2rad(60.0) - state.motor_rad[0, 0]
    assert short == pytest.approx(float(plugs.deadband_rad[0, 0]), rel=1e-6)

    half = none + 0.5 * float(line.stall_N_mm)
    state = servo_start(1, 1)
    state.target_rad = none + 1.0
    move(state, half, -half)
    assert state.motor_rad[0, 0] == pytest.approx(0.5e-3 * float(line.free_speed_rad_per_s), rel=1e-9)
    move(state, 3 * half, -half)
    held = state.motor_rad.copy()
    assert state.stalled.all()
    move(state, 3 * half, -half)
    assert state.motor_rad == pytest.approx(held)


def test_play_is_taken_up_by_a_load_that_beats_friction_only() -> None:
    machine = demo("tarn").machine
    n = values(machine)
    line, plugs = servo_line(n), servo_plugs(machine, n)
    move = servo_moves(line, plugs, (np.array([-2.0]), np.array([2.0])), 1e-3)
    state, some = servo_start(1, 1), np.full((1, 1), 100.0)
    for _ in range(100):
        move(state, some, some)  # friction either way: nothing moves it
    assert state.arm_rad[0, 0] == 0
    for _ in range(100):
        move(state, some, -some)  # the springs turn it right
    assert state.arm_rad[0, 0] == pytest.approx(-np.deg2rad(0.25))  # half of the file's 0.5°


def test_grip_saturates_and_a_standing_contact_holds() -> None:
    share, slope = grip_share_and_slope(np.array([0.0, 0.5, 1.0, 7.0, -7.0]))
    assert share == pytest.approx([0.0, 0.875, 1.0, 1.0, -1.0])
    assert slope == pytest.approx([3.0, 0.75, 0.0, 0.0, 0.0])
    mean, after, _, _ = bend_mean_and_next(np.array([2.0]), np.array([0.0]), np.array([0.0]))
    assert (mean[0], after[0]) == pytest.approx((2.0, 2.0), rel=1e-3)
    _, after, _, _ = bend_mean_and_next(np.array([2.0]), np.array([0.3]), np.array([50.0]))
    assert after[0] == pytest.approx(0.3 / 50)
    assert grip_left_N(np.array([5.0]), np.array([3.0])) == pytest.approx([4.0])


def test_the_track_carries_its_load_where_it_rests() -> None:
    for front, rear, load in (
        (0.2, 0.34, 0.27),
        (0.2, 0.34, 0.30),
        (0.2, 0.34, 0.335),
        (0.2, 0.34, 0.21),
        (0.3, 0.3, 0.3),
    ):
        places, shares = track_shares(front, rear, load)
        assert shares.sum() == pytest.approx(1.0)
        assert (places * shares).sum() == pytest.approx(load)
        assert (shares >= 0).all()
        assert ((places >= front - 1e-12) & (places <= rear + 1e-12)).all()


def test_the_step_divides_the_frames() -> None:
    vehicle = make_vehicle(demo("tarn").machine)
    assert step_ms_for(vehicle) == 5.0
    for frame, most in ((22.0, 5.0), (3.0, 5.0), (15.0, 4.0)):
        odd = type(vehicle)(**{**{f: getattr(vehicle, f) for f in vehicle.__slots__}, "steer_frame_ms": frame})
        step = step_ms_for(odd, most)
        for one in (frame, FRAME_MS):
            assert one / step == pytest.approx(round(one / step), abs=1e-9)


def test_following_a_delayed_wave() -> None:
    time = np.arange(0, 3, 0.005)
    wave = np.sin(5 * time)
    late = 0.4 * np.sin(5 * (time - 0.062)) * (time > 0.062)
    found = follow(time, wave, late, held=False)
    assert found is not None
    assert found.lag_s == pytest.approx(0.062, abs=0.002)
    assert found.gain == pytest.approx(0.4, rel=0.03)
    assert follow(time, wave, np.zeros_like(time), held=False) is None


def test_a_loop_has_its_width() -> None:
    turn = np.linspace(0, 4 * np.pi, 2001)
    _, width = loop_width(np.sin(turn), np.sin(turn) - 0.1 * np.sign(np.cos(turn)))
    assert width == pytest.approx(np.full(9, -0.2), abs=0.01)


@pytest.mark.parametrize("text", ["grip", "grip=", "=1:2:3", "grip=a:b:3", "grip=1:2:0", "grip=1:2:9999", "grip=nan,1"])
def test_axes_that_are_none(text: str) -> None:
    with pytest.raises(NoAnswer, match="axis"):
        parse_axis(text)


def test_axes() -> None:
    assert parse_axis("grip=0.2:0.8:3").values == (0.2, 0.5, 0.8)
    assert parse_axis("side.shock.rate_N_per_mm=1,2.5").values == (1.0, 2.5)


def test_braking_presses_on_the_runners() -> None:
    from leanmix.response.contact import fixed_for
    from leanmix.response.levers import pushes_mm
    from leanmix.response.motion import advance, start_motion
    from leanmix.response.state import Course

    vehicle = make_vehicle(demo("tarn").machine)
    one = np.ones(1)
    course = Course(one, 0.2 * one, 0 * one, 0.14 * one, 0.16 * one, 12.0 * one, 0 * one)  # coasts against its drag
    motion, fixed = start_motion(vehicle, course, 1), fixed_for(vehicle, course, 0.005)
    push = pushes_mm(vehicle.levers, np.zeros((1, 1)))
    still = float(motion.load.sum())
    for _ in range(400):
        advance(vehicle, fixed, motion, 0 * one, push, np.zeros((2, 1)))
    assert float(motion.forward_g[0]) == pytest.approx(-0.2, rel=0.01)
    # Tarn's file: 2.9 kg, balance point 96 mm up, 290 mm from runners to rear support; m·a·h/L. As the nose sinks the
    # balance point comes forward a little too (stance's pitch), which adds a few per cent and takes nothing away.
    by_hand = 2.9 * 9.80665 * 0.2 * 96 / 290
    assert by_hand < float(motion.load.sum()) - still < 1.08 * by_hand
