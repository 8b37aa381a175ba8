"""The machine file: read with every error at once, changed without losing a comment, saved whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import numpy as np
import pytest

from leanmix.errors import FileTrouble, GeometryError, MachineFileError
from leanmix.job import work_out
from leanmix.linkage import side_geometry, tip_up_for_push
from leanmix.machine import (
    DEMOS,
    Measured,
    demo,
    draw_builds,
    each_number,
    load,
    parse,
    remarks,
    save_text,
    set_value,
    template,
    values,
)
from leanmix.stance import stance_setup
from leanmix.stops import find_stops

TARN = demo("tarn")


def findings(text: str) -> dict[str, tuple[int | None, str]]:
    with pytest.raises(MachineFileError) as caught:
        parse(text, "bad.toml")
    return {f.key: (f.line, f.what) for f in caught.value.findings}


def line_with(text: str, start: str) -> int:
    return next(i for i, line in enumerate(text.splitlines(), 1) if line.startswith(start))


def swapped(old: str, new: str, text: str = TARN.text) -> str:
    assert text.count(old) >= 1
    return text.replace(old, new, 1)


@pytest.mark.parametrize("name", DEMOS)
def test_demo_is_usable_and_only_guesses_are_remarked(name: str) -> None:
    assert [f.key for f in remarks(demo(name).machine)] == ["guesses"]


def test_all_errors_come_at_once_each_with_its_line() -> None:
    text = swapped('kind = "ski"', 'kind = "sledge"')
    text = swapped("radius_mm = { at = 15,", "radius_mm = { at = -15,", text)
    text = swapped("cold_sag_V = 0.5", 'cold_sag_V = "0.5"', text)
    text = swapped("roof_up_mm = 212\n", "", text)
    found = findings(text)
    assert set(found) == {"runner.kind", "side.arm.radius_mm", "servo.cold_sag_V", "chassis.roof_up_mm"}
    assert found["side.arm.radius_mm"][0] == line_with(text, "radius_mm = { at = -15")
    assert "1 to 200 mm" in found["side.arm.radius_mm"][1]
    assert found["servo.cold_sag_V"][0] == line_with(text, "cold_sag_V")
    assert "text" in found["servo.cold_sag_V"][1]
    assert "missing" in found["chassis.roof_up_mm"][1]


@pytest.mark.parametrize("bad", ["nan", "inf", "-inf", "1e400", "true", "[]", "{}", '"15"'])
def test_what_is_not_a_number_is_refused(bad: str) -> None:
    assert "side.arm.radius_mm" in findings(
        swapped('radius_mm = { at = 15, tol = 0.15, from = "calipers" }', f"radius_mm = {bad}")
    )


def test_wrong_unit_in_a_name_is_refused_and_the_right_name_is_missed() -> None:
    found = findings(swapped("roof_up_mm = 212", "roof_up_cm = 21.2"))
    assert set(found) == {"chassis.roof_up_cm", "chassis.roof_up_mm"}


def test_rules_over_several_keys() -> None:
    assert "servo.pulse_neutral_us" in findings(swapped("pulse_min_us = 800", "pulse_min_us = 1550"))
    assert "side.shock.length_min_mm" in findings(swapped("length_min_mm = 71", "length_min_mm = 120"))
    assert "clearance.0.between" in findings(swapped('["servo arm", "servo screw"]', '["servo arm", "nothing"]'))
    assert "lean" in findings(swapped("left_deg = 7", "left_deg = 7\nleft_ratio = 0.3"))
    assert "chassis.cg_behind_mm" in findings(swapped("at = 168", "at = 400"))


def test_a_side_that_differs_takes_the_rest_from_the_common_table() -> None:
    m = parse(TARN.text + "\n[right.arm]\nradius_mm = 14.7\n").machine
    assert m.right.arm.radius_mm == Measured(14.7)
    assert m.right.arm.centre == m.left.arm.centre
    assert m.left.arm.radius_mm == Measured(15, 0.15, "calipers")


def test_an_error_in_the_common_table_is_said_once_and_in_a_side_table_there() -> None:
    assert set(findings(swapped("bearing_length_mm = 26", "bearing_length_mm = -1"))) == {
        "side.guide.bearing_length_mm"
    }
    text = TARN.text + "\n[right.guide]\nbearing_length_mm = -1\n"
    assert findings(text) == {
        "right.guide.bearing_length_mm": (len(text.splitlines()), "-1 is outside what is possible: 1 to 300 mm.")
    }


@pytest.mark.parametrize(
    "text", ["a =", "x = " + "[" * 9000, "n = " + "9" * 9000, "\x00", "schema = 99", "side = 1", "[side]\nside = 1", ""]
)
def test_hopeless_text_is_a_sentence(text: str) -> None:
    assert findings(text)


def test_odd_numbers_are_remarked_not_refused() -> None:
    text = swapped("radius_mm = { at = 15,", "radius_mm = { at = 50,")
    text = swapped("cg_up_mm = { at = 96", "cg_up_mm = { at = 240", text)
    keys = [f.key for f in remarks(parse(text).machine)]
    assert "left.arm.radius_mm" in keys
    assert sum(k == "chassis.cg_up_mm" for k in keys) == 1


def test_setting_a_value_changes_that_value_only() -> None:
    text = set_value(TARN.text, "side.arm.radius_mm", 14.5)
    differing = [(a, b) for a, b in zip(TARN.text.splitlines(), text.splitlines(), strict=True) if a != b]
    assert len(differing) == 1
    assert differing[0][1].startswith('radius_mm = { at = 14.5, tol = 0.15, from = "calipers" }   # 30 mm ball')
    assert parse(text).machine.left.arm.radius_mm == Measured(14.5, 0.15, "calipers")


def test_setting_one_side_makes_its_own_table() -> None:
    m = parse(set_value(TARN.text, "right.arm.radius_mm", Measured(14.2, 0.1, "bench"))).machine
    assert m.right.arm.radius_mm == Measured(14.2, 0.1, "bench")
    assert m.left.arm.radius_mm.at == 15


def test_setting_a_missing_optional_value_and_an_array_member() -> None:
    assert parse(set_value(TARN.text, "side.shock.preload_N", 4.5)).machine.left.shock.preload_N == Measured(4.5)
    assert parse(set_value(TARN.text, "part.0.radius_mm", 4)).machine.parts[0].radius_mm == Measured(4.0)
    with pytest.raises(MachineFileError):
        set_value(TARN.text, "part.77.radius_mm", 4)


def test_template_is_usable_and_every_number_in_it_is_a_guess() -> None:
    m = parse(template('Ä "quoted"\n name')).machine
    assert m.name == "Ä quoted name"
    given = [n for n in each_number(m) if not n.key.startswith("parts.")]
    assert {n.measured.source for n in given} == {"guess"}


def test_saved_file_is_whole_keeps_its_mode_and_follows_links(tmp_path: Path) -> None:
    target, link = tmp_path / "real.toml", tmp_path / "link.toml"
    target.write_text("old")
    target.chmod(0o640)
    link.symlink_to(target)
    save_text(link, TARN.text)
    assert load(target).digest == TARN.digest
    assert link.is_symlink()
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.endswith(".toml")) == ["link.toml", "real.toml"]


def test_failed_save_leaves_the_old_file_and_no_litter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "m.toml"
    target.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileTrouble, match="No space left"):
        save_text(target, "new")
    assert [p.name for p in tmp_path.iterdir() if p.is_file()] == ["m.toml"]
    assert target.read_text() == "old"


def test_unreadable_files_are_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe4"')
    (tmp_path / "big.toml").write_bytes(b"#" * (1 << 20) + b"##")
    for name in ("absent.toml", "latin.toml", "big.toml", ".", "nul\x00"):
        with pytest.raises(FileTrouble):
            load(tmp_path / name)
    with pytest.raises(FileTrouble, match="tarn, wren, moss"):
        load("demo:nobody")


def test_builds_are_the_same_for_the_same_seed_and_spread_as_said() -> None:
    a, b = draw_builds(TARN.machine, 20000, seed=3), draw_builds(TARN.machine, 20000, seed=3)
    radius = a["left.arm.radius_mm"]
    assert np.array_equal(radius, b["left.arm.radius_mm"])
    assert not np.array_equal(radius, a["right.arm.radius_mm"])
    within = np.mean(np.abs(np.asarray(radius) - 15) <= 0.15)
    assert within == pytest.approx(0.95, abs=0.006)  # tol is the 95 % half-width; 4 sigma of the count
    assert a["chassis.roof_up_mm"] == 212.0


def test_numbers_view_and_change() -> None:
    n = values(TARN.machine)
    assert n.under("left")["arm.radius_mm"] == 15
    assert n.changed({"left.arm.radius_mm": 9.0})["left.arm.radius_mm"] == 9.0
    with pytest.raises(KeyError):
        n.changed({"left.arm.radius_cm": 9.0})


def test_digest_ignores_line_ends_only() -> None:
    assert parse(TARN.text.replace("\n", "\r\n")).digest == TARN.digest
    assert parse(TARN.text + "# note\n").digest != TARN.digest


@pytest.mark.parametrize(
    ("old", "new", "key", "todo"),
    [
        ("pulse_min_us = 800", "pulse_min = 800", "servo.pulse_min", "pulse_min_us"),
        ("pulse_min_us = 800", "puls_min_us = 800", "servo.puls_min_us", "pulse_min_us"),
        ("pulse_min_us = 800", "pulse_min_us = 0,8", "file", "0.8"),
        ("pulse_min_us = 800", 'pulse_min_us = "800,5 us"', "servo.pulse_min_us", "800.5"),
        ('kind = "ski"', "kind = ski", "file", 'kind = "ski"'),
        ('kind = "ski"', 'kind = "Ski"', "runner.kind", "'ski' or 'wheel'"),
        ("[side.arm]", "[sides.arm]", "sides", "side"),
    ],
)
def test_a_slip_of_the_hand_is_told_with_what_was_meant(old: str, new: str, key: str, todo: str) -> None:
    with pytest.raises(MachineFileError) as caught:
        parse(swapped(old, new), "bad.toml")
    assert todo in {f.key: f.todo for f in caught.value.findings}[key]


def test_a_link_that_never_reaches_its_mount_is_told_with_the_distance() -> None:
    arm, ball = TARN.machine.left.arm, TARN.machine.left.mount.ball
    away = np.hypot(ball.out.at - arm.centre.out.at, ball.up.at - arm.centre.up.at)
    for length, word in ((away + arm.radius_mm.at + 1.0, "too long"), (away - arm.radius_mm.at - 1.0, "too short")):
        far = parse(set_value(TARN.text, "side.link.length_mm", float(length)))
        for work in (work_out, lambda file: find_stops(file.machine), lambda file: stance_setup(file.machine)):
            with pytest.raises(GeometryError, match=f"left side cannot be put together.*{word}.*{away:.1f} mm"):
                work(far)
    # as long as it just reaches, arm and mount being apart fore and aft too, it is no slip
    reach = away + arm.radius_mm.at
    for size in (-0.01, 0.01):
        length = float(np.hypot(reach + size, arm.offset_behind_mm.at))
        just = parse(set_value(TARN.text, "side.link.length_mm", length)).machine
        if size < 0:
            assert np.isfinite(tip_up_for_push(side_geometry(just, values(just), "left"), 0.0))
        else:
            with pytest.raises(GeometryError, match="too long"):
                side_geometry(just, values(just), "left")


def test_a_joint_measured_anew_whose_part_was_left_behind_is_remarked_once() -> None:
    ball = TARN.machine.left.suspension.lower_ball
    moved = set_value(TARN.text, "side.suspension.lower_ball.out_mm", ball.out.at + 12)
    notes = {f.key: f.what for f in remarks(parse(moved).machine)}
    assert set(notes) == {"left.suspension.lower_ball", "guesses"}
    assert '"lower arm"' in notes["left.suspension.lower_ball"]


def test_a_joint_in_the_middle_of_a_broad_part_lies_in_it() -> None:
    bar = "points = [{ out_mm = 34, up_mm = 50 }, { out_mm = 118, up_mm = 38 }]\nradius_mm = 4.5"
    corners = ((20, 30), (132, 18), (132, 60), (20, 72))
    points = ", ".join(f"{{ out_mm = {out}, up_mm = {up} }}" for out, up in corners)
    broad = swapped(bar, f"points = [{points}]\nradius_mm = 0")
    assert not [f for f in remarks(parse(broad).machine) if "outside part" in f.what]
    above = broad.replace("up_mm = 30", "up_mm = 60").replace("up_mm = 18", "up_mm = 55")
    told = {f.key: f.what for f in remarks(parse(above).machine) if "outside part" in f.what}
    assert set(told) == {"left.suspension.lower_ball", "left.suspension.lower_pivot"}
