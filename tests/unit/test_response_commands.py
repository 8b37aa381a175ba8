"""Drives, maps and suggestions from end to end, and their commands."""

from __future__ import annotations

import json
import subprocess
import sys
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from leanmix.commands._drive_shown import drive_rows
from leanmix.errors import FileTrouble, MachineFileError, NoAnswer
from leanmix.job import Job, work_out
from leanmix.machine import demo
from leanmix.response import (
    Cell,
    Contender,
    EndKind,
    GripRange,
    MapPlan,
    base_of,
    changed,
    contender,
    drive,
    drive_picks,
    fastest_pass,
    grip_range,
    load_manoeuvre,
    make_runs,
    map_csv,
    parse_axis,
    picks_of,
    read_map,
    report_drive,
    run_map,
    suggest_curve,
    variant,
)


@lru_cache
def job(name: str = "tarn") -> Job:
    return work_out(demo(name))


@lru_cache
def pair(name: str = "tarn") -> tuple[Contender, Contender]:
    own = contender(job(name))
    return own, Contender("plain", own.vehicle, own.image, 0)


def leanmix(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "leanmix", *arguments], capture_output=True, text=True, check=False, timeout=300
    )


LAGS = ("steering_lag_ms", "arm_lag_ms", "yaw_lag_ms", "lean_lag_ms")


# of all that are shipped but the spiral, which ends in a tip and so tells no lag
@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("step", LAGS),
        ("flick", LAGS),
        ("slalom", LAGS),
        ("circle", LAGS),
        ("bank", LAGS),
        # standing still it does not yaw
        ("parked", ("steering_lag_ms", "arm_lag_ms", "lean_lag_ms")),
    ],
)
def test_half_the_step_changes_lags_by_less_than_one_percent(name: str, told: tuple[str, ...]) -> None:
    """Every lag that the report tells, least and most over the frames' phases."""
    manoeuvre = load_manoeuvre(name)
    ground = grip_range(job().machine, manoeuvre, "packed snow")
    coarse, fine = (
        report_drive(pair(), manoeuvre, [ground, ground], fastest=False, most_step_ms=most).rows for most in (5.0, 2.5)
    )
    assert tuple(lag for lag in LAGS if getattr(coarse[0], lag) is not None) == told
    for one, other in zip(coarse, fine, strict=True):
        for lag in LAGS:
            here, there = getattr(one, lag), getattr(other, lag)
            assert (here is None) == (there is None), lag
            assert here is None or here == pytest.approx(there, rel=0.01), lag


def test_the_same_core_decides_where_the_arm_stands() -> None:
    from leanmix.mixer import lookup

    own, _ = pair()
    runs = make_runs([own], [load_manoeuvre("step")], picks_of(0, 0, 2.0, 0.5))
    outcome = drive(runs, keep=True)
    assert outcome.traces is not None
    pulse = round(8 * (1500 + 0.33 * 400))
    wanted = (int(lookup(own.image, [pulse])[0]) / 8 - 1500) / 10.2
    assert outcome.traces["throw_asked_deg"][-1, 0] == pytest.approx(wanted, abs=1e-9)
    assert outcome.traces["throw_deg"][-1, 0] == pytest.approx(wanted, abs=0.3 + 0.25 + 1e-6)  # deadband, half the play


def test_lean_makes_a_difference_and_the_report_says_so() -> None:
    own, plain = pair()
    ground = grip_range(job().machine, load_manoeuvre("step"), "packed snow")
    assert (ground.low, ground.at, ground.high) == pytest.approx((0.3, 0.5, 0.7))
    report = report_drive([own, plain], load_manoeuvre("step"), [ground, ground])
    with_lean, without = report.rows
    assert with_lean.lean_lag_ms is not None
    assert with_lean.arm_lag_ms is not None
    assert with_lean.arm_lag_ms[0] < with_lean.lean_lag_ms[0]
    assert without.lean_lag_ms is None
    for a, b in zip(with_lean.grips, without.grips, strict=True):
        assert a.most_transfer < b.most_transfer + 0.02
    with pytest.raises(NoAnswer, match="packed snow"):
        grip_range(job().machine, load_manoeuvre("step"), "moon dust")


def test_what_falls_over_is_reported_on_only_until_then() -> None:
    own, plain = pair("wren")
    flick = load_manoeuvre("flick")
    ground = GripRange(0.9, 0.9, 0.9, "floor")
    report = report_drive([own, plain], flick, [ground, ground], speed_m_per_s=2.5, fastest=False)
    with_lean, without = report.rows
    assert [r.grips[1].kind for r in report.rows] == ["finished", "tipped"]
    falls = without.grips[1].falls_s
    assert falls is not None
    assert with_lean.lean_given_until_s == falls
    # on its side it would lean 40° and more, and what is shown as given would be the other's fall
    assert with_lean.lean_given_deg is not None
    assert with_lean.lean_lag_ms is None
    assert with_lean.lean_given_deg < without.chassis_lean_deg + 1.0 < 6.0
    # it goes on by itself once the other has fallen
    assert with_lean.chassis_lean_deg == pytest.approx(with_lean.grips[1].most_lean_deg, abs=0.2)
    assert without.grips[1].most_lean_deg < 6.0
    shown = dict(drive_rows(report))
    assert f"before the fall at {falls:.2f} s" in shown["lean that the servo gives, most"][0]
    held = report_drive([own, plain], flick, [ground, ground], speed_m_per_s=1.5, fastest=False).rows[0]
    assert held.lean_given_until_s is None
    assert held.lean_lag_ms is not None


def test_parked_friction_leaves_a_loop() -> None:
    own, plain = pair()
    ground = grip_range(job().machine, load_manoeuvre("parked"), "packed snow")
    held = report_drive([own, plain], load_manoeuvre("parked"), [ground, ground]).rows[0].loop_deg
    rolling = changed(load_manoeuvre("parked"), {"pace.speed_m_per_s": 1.0, "ground.drag": 0.0})
    outcome = drive(make_runs([own], [rolling], picks_of(0, 0, 0.5, 0.02)), keep=True)
    assert held is not None
    assert held > 0.3
    assert outcome.traces is not None


def test_fastest_pass_is_between_a_pass_and_a_failure() -> None:
    own, _ = pair("wren")
    m = load_manoeuvre("flick")
    found = fastest_pass([own], [m], np.array([0]), np.array([0]), np.array([0.9]), rounds=(10, 10))
    speed, step = float(found.speed_m_per_s[0]), float(found.step_m_per_s[0])
    assert found.then[0] == EndKind.TIPPED
    end = drive_picks([own], [m], picks_of(0, 0, [speed, speed + step], 0.9))
    assert end.kind.tolist() == [EndKind.FINISHED, EndKind.TIPPED]


def test_a_cancelled_drive_says_so() -> None:
    own, _ = pair()
    end = drive_picks([own], [load_manoeuvre("step")], picks_of(0, 0, [1.0, 2.0], 0.5), cancelled=lambda: True)
    assert set(end.kind.tolist()) == {EndKind.CUT_SHORT}


def quick_map() -> MapPlan:
    flick = load_manoeuvre("flick")
    return MapPlan(base_of(job("wren")), flick, parse_axis("grip=0.5,0.9"), parse_axis("ratio=0,0.3"), 0.9)


def test_a_map_goes_on_where_it_was_cut(tmp_path: Path) -> None:
    plan, path = quick_map(), tmp_path / "m.csv"
    known = {(0, 0): Cell(9.0, "tipped"), (0, 1): Cell(8.0, "tipped"), (1, 0): Cell(7.0, "stopped")}
    path.write_text(map_csv(plan, known), encoding="utf-8")
    assert read_map(path, plan) == known
    kept: list[int] = []
    cells = run_map(plan, read_map(path, plan), lambda c: kept.append(len(c)))
    assert kept == [4]
    assert {k: cells[k] for k in known} == known
    assert cells[1, 1].speed_m_per_s > 0
    stopped = run_map(plan, known, lambda c: kept.append(len(c)), cancelled=lambda: True)
    assert stopped == known
    other = MapPlan(plan.base, plan.manoeuvre, plan.across, plan.up, 0.8)
    with pytest.raises(FileTrouble, match="something else"):
        read_map(path, other)
    path.write_text("hello", encoding="utf-8")
    with pytest.raises(FileTrouble, match="no map"):
        read_map(path, plan)


def test_variants() -> None:
    base = base_of(job())
    stiff = variant(base, {"side.shock.rate_N_per_mm": 2.5})
    assert stiff is not None
    assert stiff.vehicle.sides.rate == pytest.approx(np.full((2, 1), 2.5))
    more = variant(base, {"ratio": 0.5, "slew_us_per_frame": 12.5})
    assert more is not None
    assert more.image.outputs[0].slew_eighths == 100
    low, high = min(more.image.outputs[0].knots_eighths), max(more.image.outputs[0].knots_eighths)
    assert low >= base.image.outputs[0].cap_low_eighths
    assert high <= base.image.outputs[0].cap_high_eighths
    assert variant(base, {"side.link.length_mm": 200.0}) is None
    with pytest.raises(MachineFileError, match="wing"):
        variant(base, {"wing.span_mm": 3.0})


def test_a_suggestion_is_no_worse_than_what_it_is_held_against() -> None:
    found = suggest_curve(base_of(job("wren")), [load_manoeuvre("flick")], [0.9])
    assert found.best.score >= found.tried[0].score * 0.995
    assert all(c.arm_deg <= 45.0 for c in found.tried)  # within the caps
    assert found.gains_nothing == (found.best.score <= found.without_lean.score * 1.005)


def test_a_builders_own_manoeuvre_is_driven_by_its_path() -> None:
    own = Path(__file__).parents[2] / "sims" / "manoeuvres" / "round_two_cones.toml"
    asked = load_manoeuvre(str(own))
    slow = drive_picks([pair()[0]], [asked], picks_of(0, 0, asked.pace.speed_m_per_s.at, 0.7))
    fast = drive_picks([pair()[0]], [asked], picks_of(0, 0, 6.0, 0.7))
    assert slow.kind[0] == EndKind.FINISHED
    assert fast.kind[0] != EndKind.FINISHED
    assert slow.most_off_m[0] < 0.3


def test_drive_command_writes_all_it_can(tmp_path: Path) -> None:
    traces, picture = tmp_path / "t.csv", tmp_path / "p.svg"
    done = leanmix("drive", "demo:tarn", "step", "--surface", "packed snow", "--csv", str(traces), "--picture",
                   str(picture), "--json")  # fmt: skip
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["kind"] == "drive"
    assert [row["name"] for row in found["rows"]] == ["Tarn", "Tarn without lean"]
    assert len(found["rows"][0]["grips"]) == 3
    lines = traces.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("machine,time_s,wheel_deg,")
    assert len(lines) == 1 + 2 * 441
    assert picture.read_text(encoding="utf-8").startswith("<?xml") or "<svg" in picture.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("drive", "demo:tarn", "nowhere.toml"), "one of: step"),
        (("drive", "demo:tarn", "step", "--surface", "moon dust"), "moon dust"),
        (("drive", "demo:none", "step"), "demo:none"),
        (("drive", "demo:tarn", "circle", "--speed", "0"), "0 m/s"),
        (("drive", "demo:tarn", "step", "--picture", "x.bmp"), ".png or .svg"),
        (("map", "demo:tarn", "flick", "--across", "radius_m=1:2:2", "--up", "grip=1,2"), "no bend"),
        (("map", "demo:tarn", "flick", "--across", "grip=1,2", "--up", "grip=1,2"), "Both axes"),
        (("map", "demo:tarn", "flick", "--across", "grip=1,2", "--up", "nose_mm=1,2"), "nose_mm"),
        (("map", "demo:tarn", "flick", "--across", "grip", "--up", "ratio=0,1"), "axis"),
    ],
)
def test_bad_input_is_a_sentence(arguments: tuple[str, ...], says: str) -> None:
    done = leanmix(*arguments)
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
