"""A point held by two distances fits on either side of the line between their far ends."""

from __future__ import annotations

import numpy as np
import pytest

from leanmix.machine import Machine, Measured, Point, demo, parse, set_value
from leanmix.survey import PointName, Reading, Survey, made_up_readings, solve
from leanmix.survey.layout import machine_spots

TARN = demo("tarn")
G, H, K = PointName("upper_pivot"), PointName("upper_ball"), PointName("lower_ball")


def drawn_with(out: float, up: float) -> Machine:
    """Tarn with the upper ball drawn elsewhere in the file."""
    return parse(set_value(TARN.text, "side.suspension.upper_ball", Point(Measured(out), Measured(up))), "x").machine


def other_side() -> np.ndarray:
    spots = machine_spots(TARN.machine)
    g, h, k = (np.array(spots[PointName(p.place, "left")][:2]) for p in (G, H, K))
    along = (k - g) / np.linalg.norm(k - g)
    return 2 * (g + (h - g) @ along * along) - h


def readings(*, third: bool) -> Survey:
    """Everything about Tarn without noise, but only two distances to the upper ball, or three."""
    whole = made_up_readings(TARN.machine, 1, (), crosswise=16, noise=False)
    kept = [r for r in whole.readings if H not in r.points and PointName("upper_ball", "left") not in r.points]
    wanted = [(G, H), (K, H)] + ([(PointName("lower_pivot"), H)] if third else [])
    spots = machine_spots(TARN.machine)
    for a, b in wanted:
        gap = np.subtract(spots[PointName(a.place, "left")][:2], spots[PointName(b.place, "left")][:2])
        kept.append(Reading("pins", (a, b), float(np.hypot(*gap))))
    return Survey(tuple(kept), differ=())


def place(found: object) -> tuple[float, float]:
    p = next(p for p in found.points if p.point.place == "upper_ball")  # type: ignore[attr-defined]
    return p.out_mm, p.up_mm


def test_the_files_picture_decides_quietly_where_it_is_plain() -> None:
    found = solve(drawn_with(113.0, 71.0), readings(third=False))
    assert place(found) == pytest.approx((112, 70), abs=1e-4)
    assert not found.either
    assert not found.open


def test_a_picture_half_way_between_is_said_to_have_decided() -> None:
    middle = (np.array([112.0, 70.0]) + other_side()) / 2 + np.array([0.4, 1.5])
    found = solve(drawn_with(*map(float, middle)), readings(third=False))
    assert [o.points[0].place for o in found.either] == ["upper_ball"]
    said = found.either[0].words
    assert "fits in two places" in said
    assert "Measure one more" in said
    assert found.either[0].remedy is not None
    assert "upper_ball" in {p.place for p in found.either[0].remedy.points}


def test_a_wrong_picture_is_put_right_by_a_third_distance() -> None:
    found = solve(drawn_with(*map(float, other_side())), readings(third=True))
    assert not found.aside
    assert place(found) == pytest.approx((112, 70), abs=1e-4)


def test_the_third_distance_settles_it_without_a_word() -> None:
    middle = (np.array([112.0, 70.0]) + other_side()) / 2 + np.array([0.4, 1.5])
    found = solve(drawn_with(*map(float, middle)), readings(third=True))
    assert not found.either
    assert place(found) == pytest.approx((112, 70), abs=1e-4)
