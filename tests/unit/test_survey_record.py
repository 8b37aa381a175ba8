"""From a survey into the machine file: places, tolerances, origins, comments; what is open stays."""

from __future__ import annotations

from dataclasses import replace

import pytest

from leanmix.machine import Measured, Point, demo, parse, set_value
from leanmix.survey import PointName, Reading, Sheet, Survey, changes, made_up_readings, record, solve
from leanmix.survey.readings import Mark

TARN = demo("tarn")


def test_every_number_lands_with_tolerance_and_origin() -> None:
    found = solve(TARN.machine, made_up_readings(TARN.machine, 5))
    out = record(TARN, found)
    side = out.source.machine.left
    by_key = {n.key: n for n in found.numbers}
    for key, measured in (
        ("left.suspension.lower_ball.out_mm", side.suspension.lower_ball.out),
        ("left.suspension.lower_ball.up_mm", side.suspension.lower_ball.up),
        ("left.arm.radius_mm", side.arm.radius_mm),
        ("left.guide.cant_deg", side.guide.cant_deg),
        ("left.link.length_mm", side.link.length_mm),
    ):
        assert measured.source == "survey"
        assert measured.at == pytest.approx(by_key[key].at, abs=0.006)
        assert by_key[key].tol <= measured.tol <= 1.11 * by_key[key].tol + 1e-9
    assert not out.left_out
    assert out.source.machine.left == out.source.machine.right
    for line in ("# 30 mm ball to ball, the spacing of the mounts' balls", "# Grip: estimates, not measurements."):
        assert line in out.source.text


def test_parts_that_sit_on_a_point_go_with_it() -> None:
    found = solve(TARN.machine, made_up_readings(TARN.machine, 5))
    machine = record(TARN, found).source.machine
    lower = next(p for p in machine.parts if p.name == "lower arm")
    assert lower.points[1].out.at == machine.left.suspension.lower_ball.out.at
    assert lower.points[1].up.at == machine.left.suspension.lower_ball.up.at
    # a tolerance of its own would let it wander off in many builds
    assert lower.points[1].out.tol is None


def test_a_side_that_differs_gets_its_own_table() -> None:
    wren = demo("wren")
    found = solve(wren.machine, made_up_readings(wren.machine, 5, ("arm_ball",)))
    machine = record(wren, found).source.machine
    assert machine.right.arm.radius_mm.at == pytest.approx(11.8, abs=0.5)
    assert machine.left.arm.radius_mm.at == pytest.approx(12.0, abs=0.5)
    assert machine.left.arm.radius_mm != machine.right.arm.radius_mm
    assert machine.left.suspension == machine.right.suspension


def test_alike_after_all_is_written_over_the_override() -> None:
    wren = demo("wren")
    found = solve(wren.machine, replace(made_up_readings(wren.machine, 5, ("arm_ball",)), differ=()))
    machine = record(wren, found).source.machine
    assert machine.left.arm.radius_mm == machine.right.arm.radius_mm


def test_what_is_open_stays_as_it_was() -> None:
    survey = Survey((Reading("pins", (PointName("lower_pivot"), PointName("lower_ball")), 84.0),), differ=())
    out = record(TARN, solve(TARN.machine, survey))
    assert out.source.text == TARN.text
    assert set(out.left_out) >= {"left.suspension.lower_pivot", "left.suspension.lower_ball"}


def test_a_point_only_a_picture_shows_comes_from_the_photo() -> None:
    marks = tuple(
        Mark(PointName(n, s), (1 if s == "left" else -1) * x, y, 0.4)
        for n, x, y in (("contact", 134, 0), ("lower_pivot", 34, 50), ("lower_ball", 118, 38))
        for s in ("left", "right")
    )
    found = solve(TARN.machine, Survey((), (Sheet("front.jpg", "photo", "front", False, marks),), differ=()))
    side = record(TARN, found).source.machine.left
    assert side.suspension.lower_ball.out.source == "photo"
    assert side.suspension.lower_ball.out.at == pytest.approx(118, abs=1e-6)


def test_set_value_writes_a_point_whole() -> None:
    both = Point(Measured(34.02, 0.2, "survey"), Measured(50.2, 0.2, "survey"))
    text = set_value(TARN.text, "side.suspension.lower_pivot", both)
    assert 'lower_pivot = { out_mm = 34.02, up_mm = 50.2, tol_mm = 0.2, from = "survey" }' in text
    assert parse(text).machine.left.suspension.lower_pivot == both
    apart = Point(Measured(34.02, 0.1, "survey"), Measured(50.2, 0.3, "photo"))
    text = set_value(TARN.text, "side.suspension.lower_pivot", apart)
    assert parse(text).machine.left.suspension.lower_pivot == apart
    bare = Point(Measured(34.0), Measured(50.2, 0.3, "survey"))
    assert parse(set_value(TARN.text, "part.1.points.2", bare)).machine.parts[1].points[2] == bare


def test_changes_lists_what_differs() -> None:
    after = parse(set_value(TARN.text, "side.arm.radius_mm", 15.4), "x")
    assert [(c.key, c.before.at, c.after.at) for c in changes(TARN, after)] == [
        ("left.arm.radius_mm", 15.0, 15.4),
        ("right.arm.radius_mm", 15.0, 15.4),
    ]
