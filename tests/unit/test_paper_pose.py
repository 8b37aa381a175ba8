"""The front view: parts keep their lengths, left is left, and CAD gets the same drawing in mm."""

from __future__ import annotations

import io
import math
import xml.etree.ElementTree as ET
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import trimesh
from ezdxf import recover
from hypothesis import given, settings
from hypothesis import strategies as st

from leanmix.drawing import Circle, Line, Polygon, Polyline, Text, to_svg
from leanmix.errors import NoAnswer
from leanmix.linkage import SIDES
from leanmix.machine import DEMOS, demo, values
from leanmix.paper import (
    LAYERS,
    Pose,
    front_to_size,
    holes_of,
    pattern_drawing,
    patterns_of,
    pose_at,
    reach_mm,
    sized_drawing,
    to_dxf,
)
from leanmix.stance import Setup, stance_setup

THROWS = (-22.0, -10.0, 0.0, 7.0, 20.0)


@lru_cache(maxsize=4)
def setup(name: str) -> Setup:
    return stance_setup(demo(name).machine)


@lru_cache(maxsize=64)
def pose(name: str, throw_deg: float) -> Pose:
    return pose_at(setup(name), throw_deg)


FILE_POINTS = {
    "servo axis": "arm.centre", "mount ball": "mount.ball", "shock upper eye": "mount.eye", "shock lower eye": "shock.lower_eye",
    "lower pivot": "suspension.lower_pivot", "lower ball": "suspension.lower_ball", "upper pivot": "suspension.upper_pivot",
    "upper ball": "suspension.upper_ball", "contact": "suspension.contact",
}  # fmt: skip


@pytest.mark.parametrize("name", DEMOS)
def test_at_neutral_every_point_is_where_it_was_measured(name: str) -> None:
    n = values(demo(name).machine)
    now = pose(name, 0.0)
    assert now.lean_deg == pytest.approx(0.0, abs=1e-6)
    for side in now.sides:
        sign = -1.0 if side.side == "left" else 1.0
        for point, key in FILE_POINTS.items():
            # Tarn's link was measured, not worked out: its mounts, and so its ride height, stand a hair off
            near = 0.05 if name == "tarn" else 1e-6
            wanted = (sign * n[f"{side.side}.{key}.out_mm"], n[f"{side.side}.{key}.up_mm"])
            assert side.points[point] == pytest.approx(wanted, abs=near), (side.side, point)


@pytest.mark.parametrize("throw", THROWS)
@pytest.mark.parametrize("name", DEMOS)
def test_nothing_stretches(name: str, throw: float) -> None:
    """Lengths of rigid parts, from the machine file, in every pose."""
    n = values(demo(name).machine)
    now, rest = pose(name, throw), pose(name, 0.0)
    geometry = setup(name).geometry
    for side, geo in zip(now.sides, geometry, strict=True):
        p, q = side.points, (rest.left if side.side == "left" else rest.right).points

        def kept(a: str, b: str, p: dict = p, q: dict = q) -> None:  # type: ignore[type-arg]
            assert math.dist(p[a], p[b]) == pytest.approx(math.dist(q[a], q[b]), abs=1e-9), (a, b)

        assert math.dist(p["servo axis"], p["arm ball"]) == pytest.approx(float(n[f"{side.side}.arm.radius_mm"]))
        assert math.dist(p["arm ball"], p["mount ball"]) == pytest.approx(float(geo.link_flat_mm))
        for a, b in (
            ("mount ball", "shock upper eye"), ("lower pivot", "lower ball"), ("upper pivot", "upper ball"),
            ("lower ball", "upper ball"), ("lower ball", "contact"), ("upper ball", "contact"), ("lower pivot", "upper pivot"),
            ("lower pivot", "shock lower eye"), ("servo axis", "lower pivot"),
        ):  # fmt: skip
            kept(a, b)
        assert p["contact"][1] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("name", DEMOS)
def test_left_is_left_and_leaning_left_goes_left(name: str) -> None:
    now, rest = pose(name, 15.0), pose(name, 0.0)
    assert all(x < 0 for x, _ in now.left.points.values() if abs(x) > 30)
    assert now.left.points["contact"][0] < 0 < now.right.points["contact"][0]
    assert now.lean_deg > 0.5
    # the top of the centreline goes left, the left pivots go down and the right ones up
    assert now.centreline[1][0] < now.centreline[0][0]
    assert now.left.points["lower pivot"][1] < rest.left.points["lower pivot"][1]
    assert now.right.points["lower pivot"][1] > rest.right.points["lower pivot"][1]
    turned = math.degrees(
        math.atan2(now.centreline[0][0] - now.centreline[1][0], now.centreline[1][1] - now.centreline[0][1])
    )
    # lean is across the road, the picture along the chassis: the square of a small pitch lies between them
    assert turned == pytest.approx(now.lean_deg, abs=1e-5)
    level = pose_at(stance_setup(demo(name).machine, pitch=False), 15.0)
    (x, y), (top_x, top_y) = level.centreline
    assert math.degrees(math.atan2(x - top_x, top_y - y)) == pytest.approx(level.lean_deg, abs=1e-9)


@pytest.mark.parametrize("name", ["tarn", "moss"])
def test_a_machine_alike_on_both_sides_leans_alike(name: str) -> None:
    """Mirror image: a pose right is the pose left turned over."""
    left, right = pose(name, 13.0), pose(name, -13.0)
    for point, (x, y) in left.left.points.items():
        assert right.right.points[point] == pytest.approx((-x, y), abs=1e-6)


def test_parts_move_with_what_they_are_on() -> None:
    now, rest = pose("tarn", 18.0), pose("tarn", 0.0)
    for part, before in zip(now.parts, rest.parts, strict=True):
        assert part.name == before.name
        for a, b in zip(part.corners, before.corners, strict=True):
            other = part.corners[0], before.corners[0]
            assert math.dist(a, other[0]) == pytest.approx(math.dist(b, other[1]), abs=1e-9)
    arms = [p for p in now.parts if p.name == "servo arm"]
    for arm, side in zip(arms, now.sides, strict=True):
        assert arm.corners[0] == pytest.approx(side.points["servo axis"])
        assert arm.corners[1] == pytest.approx(side.points["arm ball"])
    lower = [p for p in now.parts if p.name == "lower arm"]
    for arm, side in zip(lower, now.sides, strict=True):
        assert arm.corners == (pytest.approx(side.points["lower pivot"]), pytest.approx(side.points["lower ball"]))


def test_a_pose_that_does_not_stand_says_so() -> None:
    with pytest.raises(NoAnswer, match="No picture at 170"):
        pose_at(setup("wren"), 170.0)


@pytest.mark.parametrize("throw", THROWS)
@pytest.mark.parametrize("name", DEMOS)
def test_dxf_is_clean_and_another_reader_sees_the_same(name: str, throw: float, tmp_path: Path) -> None:
    now = pose(name, throw)
    shapes = front_to_size(now)
    path = tmp_path / "front.dxf"
    path.write_text(to_dxf(shapes, (f"machine {name}",)), encoding="utf-8")
    with path.open("rb") as stream:
        document, audit = recover.read(stream)
    assert (len(audit.errors), len(audit.fixes)) == (0, 0)
    assert document.header["$INSUNITS"] == 4  # mm
    used = {e.dxf.layer for e in document.modelspace()}
    assert used <= set(LAYERS)
    assert {"arm", "link", "mount", "shock", "suspension arms", "runner", "parts", "hole centres"} <= used
    # every ball and pivot is a circle's centre, in mm
    centres = {(round(e.dxf.center.x, 4), round(e.dxf.center.y, 4)) for e in document.modelspace().query("CIRCLE")}
    for side in now.sides:
        for point, (x, y) in side.points.items():
            assert point == "contact" or (round(x, 4), round(y, 4)) in centres

    with path.open("rb") as stream:
        theirs = trimesh.load_path(stream, file_type="dxf")
    assert theirs.units in ("mm", "millimeters")
    drawn = [s for s in shapes if not isinstance(s, Text)]
    words = [s for s in shapes if isinstance(s, Text)]
    assert len(theirs.entities) == len(drawn) + len(words)
    xs, ys = zip(*(p for s in drawn for p in _extent(s)), strict=True)
    seen = np.array([e.points for e in theirs.entities if type(e).__name__ != "Text"], dtype=object)
    places = theirs.vertices[np.unique(np.concatenate([np.ravel(p) for p in seen]).astype(int))]
    assert places.min(axis=0) == pytest.approx((min(xs), min(ys)), abs=1e-6)
    assert places.max(axis=0) == pytest.approx((max(xs), max(ys)), abs=1e-6)


def _extent(s: object) -> list[tuple[float, float]]:
    if isinstance(s, Line):
        return [s.start, s.end]
    if isinstance(s, (Polyline, Polygon)):
        return list(s.points)
    assert isinstance(s, Circle)
    (x, y), r = s.centre, s.radius_mm
    return [(x - r, y - r), (x + r, y + r)]


@pytest.mark.parametrize("name", DEMOS)
@pytest.mark.parametrize("what", ["arm", "link", "mount", "gauge"])
def test_patterns_go_to_cad_too(name: str, what: str, tmp_path: Path) -> None:
    source = demo(name)
    drawing = pattern_drawing(patterns_of(source)[what], what)
    path = tmp_path / "part.dxf"
    path.write_text(to_dxf(drawing.shapes), encoding="utf-8")
    with path.open("rb") as stream:
        document, audit = recover.read(stream)
    assert (len(audit.errors), len(audit.fixes)) == (0, 0)
    assert {e.dxf.layer for e in document.modelspace()} <= {"outline", "holes", "axes", "sizes", "rod"}
    if what == "arm":
        small = [e for e in document.modelspace().query("CIRCLE") if e.dxf.radius == pytest.approx(1.6)]
        balls = sorted(e.dxf.center.x for e in small)
        if name == "tarn":  # 30 mm ball to ball
            assert balls[1] - balls[0] == pytest.approx(30.0)
    if what == "mount" and name == "tarn":  # ball (15, 136), eye (24, 130)
        ball, eye = sorted((e.dxf.center for e in document.modelspace().query("CIRCLE")), key=lambda p: -p.y)
        assert (eye.x - ball.x, eye.y - ball.y) == (pytest.approx(9.0), pytest.approx(-6.0))


def test_hole_centres_are_the_machine_files() -> None:
    holes = {(h.part, h.what): h.at for h in holes_of(demo("tarn"))}
    assert holes["arm left", "link ball"] == (15.0, 0.0)
    # mount: ball (15, 136), eye (24, 130)
    assert holes["mount right", "shock's upper eye"] == (9.0, -6.0)


@pytest.mark.parametrize("name", DEMOS)
def test_svg_is_to_size_with_layers_by_name(name: str) -> None:
    now = pose(name, 7.0)
    root = ET.fromstring(to_svg(sized_drawing(now, "a & <b>")))
    space = "{http://www.w3.org/2000/svg}"
    left, right, up = reach_mm(now)
    assert root.attrib["width"] == f"{round(left + right + 20, 4):g}mm"
    assert [float(v) for v in root.attrib["viewBox"].split()[2:]] == pytest.approx(
        [left + right + 20, up + 18], abs=1e-3
    )
    ids = [g.attrib["id"] for g in root.iter(f"{space}g") if "id" in g.attrib]
    assert ids == [layer.replace(" ", "-") for layer in LAYERS if layer.replace(" ", "-") in ids]
    arm = next(g for g in root.iter(f"{space}g") if g.attrib.get("id") == "arm")
    line = [float(v) for v in arm.findall(f"{space}polyline")[0].attrib["points"].replace(",", " ").split()]
    assert math.dist(line[:2], line[2:]) == pytest.approx(
        float(values(demo(name).machine)["left.arm.radius_mm"]), abs=2e-3
    )


@given(throw=st.floats(-40, 40), name=st.sampled_from(DEMOS))
@settings(max_examples=25)
def test_any_throw_gives_a_drawing_or_a_sentence(throw: float, name: str) -> None:
    try:
        now = pose_at(setup(name), throw)
    except NoAnswer:
        return
    shapes = front_to_size(now)
    left, right, up = reach_mm(now)
    assert all(math.isfinite(v) for s in shapes if not isinstance(s, Text) for p in _extent(s) for v in p)
    body = [
        p for s in shapes if getattr(s, "layer", "") in ("parts", "arm", "link", "mount", "shock") for p in _extent(s)
    ]
    assert all(-left - 3 <= x <= right + 3 and y <= up + 3 for x, y in body)
    assert len(SIDES) == len(now.sides)
    assert io.StringIO(to_dxf(shapes)).readline() == "999\n"
