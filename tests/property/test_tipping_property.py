"""What must hold of tip limits, changes and comparisons on any machine."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from leanmix.cli import leanmix
from leanmix.comparing import compare_files
from leanmix.machine import DEMOS, Measured, demo, load, parse, set_value
from leanmix.stance import (
    balance,
    possible_changes,
    stance_setup,
    tip_limits,
    what_buys_most,
)


@pytest.mark.parametrize("name", ["tarn", "moss"])
def test_mirrored_turns_and_throws_have_mirrored_limits(name: str) -> None:
    setup = stance_setup(demo(name).machine)
    throws = np.array([-25.0, 0.0, 25.0])
    left, right = tip_limits(setup, throws, "left"), tip_limits(setup, -throws, "right")
    for field in ("rigid_g", "sprung_g", "lift_g"):
        assert getattr(left, field) == pytest.approx(getattr(right, field), abs=1e-9)
    assert left.lean_deg == pytest.approx(-right.lean_deg, abs=1e-9)


@pytest.mark.parametrize("name", DEMOS)
def test_a_limit_is_where_it_ceases_to_stand(name: str) -> None:
    setup = stance_setup(demo(name).machine)
    limits = tip_limits(setup, np.array([-20.0, 0.0, 20.0]))
    assert np.all(balance(setup, limits.throw_deg, limits.sprung_g - 2e-4).ok)
    assert not np.any(balance(setup, limits.throw_deg, limits.sprung_g + 5e-3).ok)
    assert np.all(limits.lift_g <= limits.sprung_g)
    # the springs always cost something: the rigid figure flatters
    assert np.all(limits.sprung_g < limits.rigid_g)


def test_the_inner_runner_is_light_at_the_lift_and_loaded_before() -> None:
    setup = stance_setup(demo("wren").machine)
    lift = tip_limits(setup, 10.0).lift_g
    at, before = balance(setup, 10.0, lift - 2e-4), balance(setup, 10.0, lift * 0.9)
    assert float(at.runner_load_left_N) < 0.05 * float(balance(setup, 0.0).runner_load_left_N)
    assert float(before.runner_load_left_N) > float(at.runner_load_left_N)


def test_a_lower_balance_point_and_a_helping_bank_raise_the_limit() -> None:
    text = demo("wren").text
    low = stance_setup(parse(set_value(text, "chassis.cg_up_mm", 50)).machine)
    was = stance_setup(demo("wren").machine)
    assert tip_limits(low).sprung_g > tip_limits(was).sprung_g + 0.05
    banked = tip_limits(was, 0.0, "left", np.array([-4.0, 0.0, 4.0])).sprung_g
    assert banked[0] < banked[1] < banked[2]


def test_what_a_change_buys_is_what_changing_the_file_buys() -> None:
    machine = demo("tarn").machine
    found = {w.what: w for w in what_buys_most(machine, 30.0)}
    assert [w.leaning_g for w in found.values()] == sorted((w.leaning_g for w in found.values()), reverse=True)
    change = next(c for c in possible_changes(machine) if "lower" in c.what and "moved" in c.what)
    text = demo("tarn").text
    for key, value in change.numbers.items():
        text = set_value(text, key, value)
    before, after = (tip_limits(stance_setup(m), 30.0).sprung_g for m in (machine, parse(text).machine))
    assert found[change.what].leaning_g == pytest.approx(float(after - before), abs=2e-4)


def test_comparing_tells_each_change_alone_and_all_together(tmp_path: Path) -> None:
    tarn = demo("tarn")
    text = set_value(set_value(tarn.text, "chassis.cg_up_mm", 90), "side.arm.radius_mm", 14)
    other = replace(parse(text, "other"))
    found = compare_files(tarn, other)
    assert {d.key for d in found.differences} == {"chassis.cg_up_mm", "side.arm.radius_mm"}
    alone = {c.what: c for c in found.alone}
    lower, shorter = alone["chassis.cg_up_mm 90"], alone["side.arm.radius_mm 14"]
    assert lower.tip_upright_g > found.before.tip_upright_g
    assert shorter.tip_upright_g == pytest.approx(found.before.tip_upright_g, abs=2e-4)
    assert shorter.lean_deg < found.before.lean_deg
    direct = stance_setup(parse(set_value(tarn.text, "chassis.cg_up_mm", 90)).machine)
    assert lower.tip_upright_g == pytest.approx(float(tip_limits(direct).sprung_g), abs=2e-4)
    same = CliRunner().invoke(leanmix, ["compare", "demo:tarn", "demo:tarn"])
    assert "hold the same numbers" in same.stdout


@pytest.mark.parametrize(("name", "turn"), [("demo:wren", "right"), ("demo:tarn", "left")])
def test_what_buys_most_is_told_of_the_turn_that_tips_sooner(name: str, turn: str) -> None:
    found = json.loads(CliRunner().invoke(leanmix, ["stance", name, "--json"]).stdout)
    tips = {t: row["sprung_tip_g"]["leaning_in"] for t, row in found["turning"].items()}
    assert found["what_buys_most_turning"] == turn
    assert tips[turn] <= min(tips.values()) + 0.005
    told = {w["change"]: w["tip_leaning_in_g"] for w in found["what_buys_most"]}
    lock = found["turning"][turn]["arm_at_full_lock_deg"]
    asked = {w.what: w.leaning_g for w in what_buys_most(demo(name.removeprefix("demo:")).machine, lock, turn)}  # type: ignore[arg-type]
    assert told == pytest.approx(asked)
    assert any(a["answer"].startswith(f"Turning {turn}") for a in found["answers"])


def test_stance_command_says_everything_with_units(tmp_path: Path) -> None:
    picture = tmp_path / "s.svg"
    done = CliRunner().invoke(leanmix, ["stance", "demo:wren", "--json", "-o", str(picture), "--bank", "3"])
    assert done.exit_code == 0, done.exception
    found = json.loads(done.stdout)
    left = found["turning"]["left"]
    assert left["sprung_tip_g"]["leaning_in"] > left["sprung_tip_g"]["upright"] > left["sprung_tip_g"]["leaning_out"]
    assert {s["name"] for s in left["surfaces"]} == {"gym floor", "dusty concrete"}
    answers = {a["question"]: a["answer"] for a in found["answers"]}
    higher = next(w for w in found["what_buys_most"] if "higher" in w["change"])
    assert answers["Does weight up high help, because it leans in?"].startswith(
        "No" if higher["tip_leaning_in_g"] < -0.002 else ("Yes", "Hardly")
    )
    assert picture.read_text().count("<text") > 10


def test_weigh_writes_what_it_found_and_how(tmp_path: Path) -> None:
    file = tmp_path / "m.toml"
    file.write_text(demo("tarn").text)
    call = ["weigh", str(file), "--left", "620+-3", "--right", "600", "--rear", "1690", "--tilt", "42+-0.5", "--save"]
    done = CliRunner().invoke(leanmix, call)
    assert done.exit_code == 0, done.output
    chassis = load(file).machine.chassis
    assert chassis.mass_g.at == 2910
    assert chassis.mass_g.tol == pytest.approx(np.sqrt(9 + 25 + 25), abs=0.01)
    assert (chassis.cg_behind_mm.source, chassis.cg_up_mm.source) == ("scales", "tilt")
    assert isinstance(chassis.cg_up_mm, Measured)
    assert "block the shocks" in done.stdout


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (["weigh", "demo:tarn"], "Give --left"),
        (["weigh", "demo:tarn", "--left", "600"], "belong together"),
        (["weigh", "demo:tarn", "--raised", "60"], "belong together"),
        (["weigh", "demo:tarn", "--left", "heavy"], "not a number"),
        (["weigh", "demo:tarn", "--left", "nan", "--right", "1", "--rear", "1"], "not a reading"),
        (["weigh", "demo:tarn", "--left", "1", "--right", "1", "--rear", "1", "--save"], "not yours to change"),
        (["stance", "demo:tarn", "-o", "x.gif"], ".svg or .png"),
    ],
)
def test_bad_calls_are_refused(call: list[str], words: str) -> None:
    done = CliRunner().invoke(leanmix, call)
    assert done.exit_code == 2
    assert words in done.output


def test_a_throw_below_nought_is_no_full_lock() -> None:
    with pytest.raises(ValueError, match="0 or more"):
        what_buys_most(demo("tarn").machine, -30.0, "right")
