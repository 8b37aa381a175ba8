"""What a log says against the prediction: lag and share with intervals that hold, tips found, limits bounded."""

from __future__ import annotations

import itertools
import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from leanmix.bench import job_prediction
from leanmix.bench.drivelog import Stretch, TipBounds, find_tips, judge_limits, lay_over, level_g
from leanmix.commands.log import command
from leanmix.errors import FileTrouble, NoAnswer
from leanmix.job import work_out
from leanmix.machine import demo
from tests.conftest import DEEP

Array = NDArray[np.float64]
STEP_S = 0.02


def driven(seed: int, seconds: float = 90.0, step_s: float = STEP_S) -> tuple[Array, Array]:
    """Time, and a lean asked for that wanders as a driver's does [deg]."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, seconds, step_s)
    corners = np.arange(0, seconds + 2, 1.3)
    return t, gaussian_filter1d(np.interp(t, corners, rng.uniform(-8, 8, len(corners))), 0.06 / step_s)


def passed_on(columns: Mapping[str, Array]) -> Array:
    return columns["servo_us"]


def pieces(columns: dict[str, Array], at: tuple[int, ...] = ()) -> list[Stretch]:
    """The same stretch in several pieces."""
    edges = [0, *at, len(columns["t_s"])]
    return [Stretch({q: c[a:b] for q, c in columns.items()}, a == 0) for a, b in itertools.pairwise(edges)]


RUNS = 300 if DEEP else 40


def test_lag_share_and_offset_lie_in_their_intervals() -> None:
    inside: list[list[bool]] = []
    for seed in range(RUNS):
        rng = np.random.default_rng(1000 + seed)
        t, asked = driven(seed)
        lag, share, offset = rng.uniform(0.02, 0.5), rng.uniform(0.5, 1.2), rng.uniform(-3, 3)
        # what is left over in a real log hangs together over tenths of seconds
        noise = gaussian_filter1d(rng.normal(0, 1, len(t)), 8) * 3.0 + rng.normal(0, 0.3, len(t))
        lean = share * np.interp(t - lag, t, asked) + offset + noise
        found = lay_over(pieces({"t_s": t, "servo_us": asked, "lean_deg": lean}), passed_on)
        assert not found.at_end
        inside.append(
            [
                abs(m.at - true) <= (m.tol or 0)
                for m, true in ((found.lag_s, lag), (found.share, share), (found.offset_deg, offset))
            ]
        )
    assert np.min(np.mean(inside, axis=0)) >= (0.92 if DEEP else 0.85)
    assert np.mean(inside) >= 0.92


def test_pieces_and_pauses_make_no_difference_that_matters() -> None:
    t, asked = driven(4)
    lean = 0.8 * np.interp(t - 0.15, t, asked)
    columns = {"t_s": t, "servo_us": asked, "lean_deg": lean}
    whole = lay_over(pieces(columns), passed_on)
    assert whole.lag_s.at == pytest.approx(0.15, abs=0.003)
    assert whole.share.at == pytest.approx(0.8, abs=0.002)
    assert whole.explained > 0.999
    cut = lay_over(pieces(columns, (7, 700, 1234, 1235, 3000)), passed_on)
    assert cut.lag_s.at == pytest.approx(whole.lag_s.at, abs=1e-4)
    assert cut.rows == pytest.approx(whole.rows, rel=0.01)
    paused = [
        Stretch({q: c[:2000] for q, c in columns.items()}, True),
        Stretch({q: c[2000:] + (500.0 if q == "t_s" else 0.0) for q, c in columns.items()}, True),
    ]
    assert lay_over(paused, passed_on).lag_s.at == pytest.approx(0.15, abs=0.003)


def test_rows_with_nothing_in_them_are_not_bridged() -> None:
    t, asked = driven(5)
    lean = np.interp(t - 0.2, t, asked)
    broken = asked.copy()
    broken[1000:1400] = np.nan
    lean[::3] = np.nan
    found = lay_over(pieces({"t_s": t, "servo_us": broken, "lean_deg": lean}), passed_on)
    assert found.lag_s.at == pytest.approx(0.2, abs=0.003)
    assert found.left_over_deg < 0.1


def test_fast_logger_is_thinned_not_misread() -> None:
    t, asked = driven(6, step_s=0.001)
    lean = 0.9 * np.interp(t - 0.1, t, asked)
    found = lay_over(pieces({"t_s": t, "servo_us": asked, "lean_deg": lean}), passed_on)
    assert found.lag_s.at == pytest.approx(0.1, abs=0.003)
    assert found.rows < len(t) / 15


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        (lambda t, x: {"t_s": t, "servo_us": x}, "no lean_deg"),
        (lambda t, x: {"t_s": t, "servo_us": 0 * x, "lean_deg": x}, "Hardly any lean was asked"),
        (lambda t, x: {"t_s": t[:900], "servo_us": x[:900], "lean_deg": x[:900]}, "too short"),
        (lambda t, x: {"t_s": t, "servo_us": np.nan * x, "lean_deg": x}, "too short"),
    ],
)
def test_logs_that_say_nothing_have_no_answer(columns: object, why: str) -> None:
    with pytest.raises(NoAnswer, match=why):
        lay_over(pieces(columns(*driven(1))), passed_on)  # type: ignore[operator]


def test_lean_that_does_not_follow_is_not_given_a_lag() -> None:
    t, asked = driven(2)
    found = lay_over(pieces({"t_s": t, "servo_us": asked, "lean_deg": np.interp(t - 3.0, t, asked)}), passed_on)
    assert found.at_end or found.explained < 0.3


# -- sideways acceleration

G = 9.80665


@pytest.mark.parametrize("lean_deg", [-12.0, 0.0, 7.0])
def test_felt_force_is_turned_to_level(lean_deg: float) -> None:
    """A case fixed to the chassis: specific force along its own left axis, worked out with vectors."""
    a = 0.4
    roll = -np.deg2rad(lean_deg)
    left_axis = np.array([np.cos(roll), np.sin(roll)])  # (left, up) of the chassis' left axis
    felt = left_axis @ np.array([a * G, G]) / G
    level = level_g({"side_g": np.array([felt]), "lean_deg": np.array([lean_deg])})
    assert level is not None
    assert level[0] == pytest.approx(a, abs=1e-12)


def test_speed_times_turning_rate_and_what_comes_first() -> None:
    made = level_g({"speed_m_per_s": np.array([3.0]), "yaw_deg_per_s": np.array([90.0])})
    assert made is not None
    assert made[0] == pytest.approx(3.0 * np.pi / 2 / G)
    assert level_g({"lateral_g": np.array([0.3]), "side_g": np.array([9.0])}) == pytest.approx([0.3])
    assert level_g({"lean_deg": np.array([0.3])}) is None


# -- tips


def circuit(holds: list[tuple[float, bool]], seed: int = 0) -> dict[str, Array]:
    """Turns held for 2 s at each sideways acceleration [g, + left]; where True the machine goes over in it."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 6.0 * len(holds), STEP_S)
    g, lean = np.zeros(len(t)), np.zeros(len(t))
    for k, (level, tips) in enumerate(holds):
        start = 6.0 * k
        ramp = np.clip(np.minimum((t - start - 1) / 0.5, (start + 4 - t) / 0.5), 0, 1)
        g += level * ramp
        lean += 8 * np.sign(level) * ramp
        if tips:
            over = t - (start + 3.0)
            falling = over > 0
            g[falling & (t < start + 6)] = rng.normal(0, 1.5, int(np.sum(falling & (t < start + 6))))
            lean[falling & (t < start + 6)] = -np.sign(level) * np.minimum(88, 250 * over[falling & (t < start + 6)])
    g += rng.normal(0, 0.003, len(t))
    g[::97] += 1.2  # bumps: one row long
    return {"t_s": t, "lateral_g": g, "lean_deg": lean}


def test_tips_are_found_and_bound_the_limit() -> None:
    columns = circuit([(0.30, False), (0.42, False), (-0.35, False), (0.55, True), (-0.5, True), (0.2, False)])
    tips, (left, right) = find_tips(pieces(columns))
    assert [round(tip.t_s) for tip in tips] == [21, 27]
    assert [(tip.turn, tip.way, tip.marked) for tip in tips] == [("left", "right", False), ("right", "left", False)]
    assert [tip.peak_g for tip in tips] == pytest.approx([0.55, 0.5], abs=0.02)
    assert left.survived_g == pytest.approx(0.42, abs=0.02)
    assert left.tipped_g == pytest.approx(0.55, abs=0.02)
    assert right.survived_g == pytest.approx(0.35, abs=0.02)
    assert right.tipped_g == pytest.approx(0.50, abs=0.02)
    assert not left.contradicts
    assert (left.tips, right.tips) == (1, 1)


@pytest.mark.parametrize("at", [(1000,), (1020, 1060, 1061), tuple(range(100, 1800, 100))])
def test_pieces_find_the_same_tips(at: tuple[int, ...]) -> None:
    columns = circuit([(0.30, False), (0.42, False), (-0.35, False), (0.55, True), (-0.5, True), (0.2, False)])
    tips, bounds = find_tips(pieces(columns))
    other, others = find_tips(pieces(columns, at))
    assert [(x.t_s, x.turn, x.way) for x in other] == [(x.t_s, x.turn, x.way) for x in tips]
    for a, b in zip(bounds, others, strict=True):
        assert a.survived_g == pytest.approx(b.survived_g, abs=1e-9)
        assert a.tipped_g == pytest.approx(b.tipped_g, abs=1e-9)


def test_nothing_tipped_bounds_from_below_only() -> None:
    tips, (left, right) = find_tips(pieces(circuit([(0.3, False), (-0.2, False)])))
    assert tips == ()
    assert left.survived_g == pytest.approx(0.3, abs=0.02)
    assert right.survived_g == pytest.approx(0.2, abs=0.02)
    assert np.isnan(left.tipped_g)
    assert not left.contradicts


def test_survived_more_than_it_tipped_at_is_said() -> None:
    _, (left, _) = find_tips(pieces(circuit([(0.6, False), (0.45, True)])))
    assert left.contradicts


def test_driver_marks_count_without_any_lean() -> None:
    columns = circuit([(0.3, False), (0.5, False)])
    mark = np.zeros(len(columns["t_s"]))
    mark[(columns["t_s"] > 9.0) & (columns["t_s"] < 9.3)] = 1
    tips, (left, _) = find_tips(pieces({"t_s": columns["t_s"], "lateral_g": columns["lateral_g"], "tip": mark}))
    assert len(tips) == 1
    assert tips[0].marked
    assert (tips[0].turn, tips[0].way) == ("left", "")
    assert left.survived_g == pytest.approx(0.3, abs=0.02)
    assert left.tipped_g == pytest.approx(0.5, abs=0.02)


def test_a_blip_of_the_gyro_is_no_tip() -> None:
    columns = circuit([(0.3, False)])
    columns["lean_deg"][100:105] = 170.0
    assert find_tips(pieces(columns))[0] == ()


NAN = float("nan")


@pytest.mark.parametrize(
    ("survived", "tipped", "agrees", "says"),
    [
        (0.40, 0.70, True, "leave room"),
        (0.40, NAN, True, "leave room"),
        (NAN, NAN, True, "leave room"),
        (0.58, 0.57, True, "leave room"),
        (0.30, 0.45, False, "weigh it again"),
        (0.80, NAN, False, "lower"),
    ],
)
def test_limits_are_held_against_the_prediction(survived: float, tipped: float, agrees: bool, says: str) -> None:
    bounds = (TipBounds("left", survived, tipped, 1, False), TipBounds("right", NAN, NAN, 0, False))
    left, right = judge_limits(bounds, {"left": (0.55, 0.60), "right": (0.5, NAN)})
    assert left.agrees is agrees
    assert says in left.says
    assert right.agrees


# -- against a machine, by command


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    rng = np.random.default_rng(2)
    t, steer = driven(3, 60.0)
    steering = 1500 + 45.0 * steer
    turn = 0.02 * steer
    lean = job_prediction(work_out(demo("tarn")))({"t_s": t, "steering_us": steering, "lateral_g": turn})
    seen = 0.8 * np.interp(t - 0.12, t, lean) - 1.0 + rng.normal(0, 0.2, len(t))
    path = tmp_path / "drive.csv"
    rows = zip(t.tolist(), steering.tolist(), seen.tolist(), turn.tolist(), strict=True)
    path.write_text(
        "time ms;stick;roll rad;ay\n"
        + "".join(f"{a * 1000:.0f};{b:.1f};{-np.deg2rad(c):.5f};{d * G:.4f}\n".replace(".", ",") for a, b, c, d in rows)
    )
    return path


MAP = [
    "--column", "t_s=time ms:ms", "--column", "steering_us=stick:us", "--column", "-lean_deg=roll rad:rad",
    "--column", "lateral_g=ay:m/s2",
]  # fmt: skip


def test_mapped_log_against_its_machine(drive: Path, tmp_path: Path) -> None:
    run = CliRunner()
    unmapped = run.invoke(command, ["check", str(drive)])
    assert isinstance(unmapped.exception, FileTrouble)
    assert run.invoke(command, ["map", str(drive), "--logger", "sledge", *MAP]).exit_code == 0
    done = run.invoke(command, ["against", "demo:tarn", str(drive), "--logger", "sledge", "--json"])
    assert done.exit_code == 0, done.exception
    found = json.loads(done.stdout)
    overlay = found["overlay"]
    assert overlay["lag_s"]["at"] == pytest.approx(0.12, abs=0.01)
    assert overlay["share"]["at"] == pytest.approx(0.8, abs=0.03)
    assert overlay["offset_deg"]["at"] == pytest.approx(-1.0, abs=0.1)
    assert found["rows"] == 3000
    assert found["machine"]["name"] == "Tarn"
    left = found["limits"][0]
    assert left["agrees"]
    assert all(0.4 < left[k] < 1.2 for k in ("upright_g", "leaning_g"))
    shown = run.invoke(command, ["against", "demo:tarn", str(drive), "--logger", "sledge"])
    assert "lean comes behind by" in shown.stdout
    assert "3000 rows" in shown.stderr
    assert "predicted limit turning left" in shown.stdout
    # the same log in the plain format needs no map and says the same
    plain = tmp_path / "plain.csv"
    assert run.invoke(command, ["plain", str(drive), "-o", str(plain), "--logger", "sledge"]).exit_code == 0
    again = json.loads(run.invoke(command, ["against", "demo:tarn", str(plain), "--json"]).stdout)["overlay"]
    assert again["lag_s"]["at"] == pytest.approx(overlay["lag_s"]["at"], abs=1e-4)
    assert isinstance(run.invoke(command, ["plain", str(plain), "-o", str(plain)]).exception, FileTrouble)


def test_plain_format_is_shown_and_its_example_is_one(tmp_path: Path) -> None:
    text = CliRunner().invoke(command, ["format"]).stdout
    example = "".join(line[4:] + "\n" for line in text.splitlines() if line.startswith("    "))
    path = tmp_path / "example.csv"
    path.write_text(example)
    checked = json.loads(CliRunner().invoke(command, ["check", str(path), "--json"]).stdout)
    assert checked["columns"] == ["t_s", "steering_us", "servo_us", "lean_deg", "lateral_g"]
    assert checked["rows"] == 2
    from leanmix.bench.drivelog import QUANTITIES

    assert all(f"| {q} |" in text for q in QUANTITIES)


def test_tips_by_command(tmp_path: Path) -> None:
    columns = circuit([(0.3, False), (0.5, True)])
    path = tmp_path / "tips.csv"
    path.write_text(
        "t_s,lateral_g,lean_deg\n"
        + "".join(f"{a:.2f},{b:.4f},{c:.2f}\n" for a, b, c in zip(*(columns[q].tolist() for q in columns), strict=True))
    )
    found = json.loads(CliRunner().invoke(command, ["tips", str(path), "--json"]).stdout)
    assert len(found["tips"]) == 1
    assert found["bounds"][0]["tipped_g"] == pytest.approx(0.5, abs=0.02)
    shown = CliRunner().invoke(command, ["tips", str(path)]).stdout
    assert "tip at 9." in shown
    assert "turning right: nothing was held, never tipped" in shown
