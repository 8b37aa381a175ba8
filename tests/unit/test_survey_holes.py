"""Hole centres from drawings written by other programs' libraries and by hand."""

from __future__ import annotations

import math
from pathlib import Path

import ezdxf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leanmix.drawing import Circle, Drawing, to_svg
from leanmix.errors import FileTrouble
from leanmix.machine import demo
from leanmix.paper import to_dxf
from leanmix.survey import PointName, Reading, Sheet, Survey, solve
from leanmix.survey.holes import read_holes
from leanmix.survey.readings import Mark


def rows(path: Path, **more: float) -> list[tuple[float, float, float, str, str]]:
    return [
        (round(h.x_mm, 4), round(h.y_mm, 4), round(h.diameter_mm, 4), h.layer, h.label)
        for h in read_holes(path, **more)
    ]


def test_dxf_holes_by_layer_label_block_and_outline(tmp_path: Path) -> None:
    document = ezdxf.new(units=4)
    space = document.modelspace()
    document.layers.add("lower_pivot")
    space.add_circle((10, 20), 1.5, dxfattribs={"layer": "lower_pivot"})
    space.add_circle((10, 20), 3)  # a washer round it: the same hole
    space.add_circle((30, 40), 1.6)
    space.add_text("K", dxfattribs={"insert": (33, 41)})
    space.add_text("far away", dxfattribs={"insert": (90, 90)})
    space.add_lwpolyline([(48, 10, 1), (52, 10, 1)], format="xyb", close=True)
    space.add_lwpolyline([(0, 0, 0), (5, 0, 0), (5, 5, 0)], format="xyb", close=True)  # no hole
    space.add_arc((80, 80), 3, 0, 180)  # half a circle is no hole
    block = document.blocks.new("HOLE")
    block.add_circle((2, 0), 2)
    space.add_blockref("HOLE", (70, 5), dxfattribs={"rotation": 90, "xscale": 0.5, "yscale": 0.5})
    document.saveas(tmp_path / "plate.dxf")
    assert rows(tmp_path / "plate.dxf") == [
        (30.0, 40.0, 3.2, "", "K"),
        (10.0, 20.0, 3.0, "lower_pivot", ""),
        (50.0, 10.0, 4.0, "", ""),
        (70.0, 6.0, 2.0, "", ""),
    ]


@pytest.mark.parametrize(("unit", "factor"), [(1, 25.4), (4, 1.0), (5, 10.0), (0, 1.0)])
def test_dxf_units_are_minded(tmp_path: Path, unit: int, factor: float) -> None:
    document = ezdxf.new(units=unit)
    document.modelspace().add_circle((2, 1), 0.1)
    document.saveas(tmp_path / "u.dxf")
    assert rows(tmp_path / "u.dxf") == [(round(2 * factor, 4), round(factor, 4), round(0.2 * factor, 4), "", "")]
    assert rows(tmp_path / "u.dxf", unit_mm=2.0)[0][:2] == (4.0, 2.0)


SVG = '<svg xmlns="http://www.w3.org/2000/svg" {head}>{body}</svg>'


def svg(tmp_path: Path, body: str, head: str = 'width="200mm" height="100mm" viewBox="0 0 400 200"') -> Path:
    (tmp_path / "d.svg").write_text(SVG.format(head=head, body=body))
    return tmp_path / "d.svg"


def test_svg_holes_with_nested_transforms_and_labels(tmp_path: Path) -> None:
    body = """
    <defs><circle cx="1" cy="1" r="1"/></defs>
    <g id="plate" transform="translate(20,10) rotate(90)">
      <circle cx="10" cy="5" r="3"><title>lower pivot</title></circle>
      <g transform="matrix(2 0 0 2 0 0)"><ellipse cx="4" cy="0" rx="2" ry="1" id="oval"/></g>
    </g>
    <path id="K" d="M 40 60 a 5 5 0 1 0 10 0 a 5 5 0 1 0 -10 0 z"/>
    <path d="M 0 0 L 10 10 A 5 5 0 0 0 20 10"/>
    <rect width="9" height="9"/>"""
    # rotate(90) takes (10, 5) to (-5, 10); then +(20, 10), half a millimetre a unit, y turned up over 100 mm
    assert rows(svg(tmp_path, body)) == [
        (10.0, 91.0, 2.0, "plate", "oval"),
        (7.5, 90.0, 3.0, "plate", "lower pivot"),
        (22.5, 70.0, 5.0, "", "K"),
    ]


@given(
    st.floats(-180, 180), st.floats(0.2, 5), st.floats(-50, 50), st.floats(-50, 50), st.floats(-30, 30), st.floats(-30, 30)
)  # fmt: skip
@settings(max_examples=40)
def test_svg_transforms_against_matrices(turn: float, scale: float, tx: float, ty: float, x: float, y: float) -> None:
    import tempfile

    body = f'<g transform="translate({tx} {ty}) rotate({turn})"><circle transform="scale({scale})" cx="{x}" cy="{y}" r="1"/></g>'
    with tempfile.TemporaryDirectory() as folder:
        found = read_holes(svg(Path(folder), body, 'width="400mm" height="200mm" viewBox="0 0 400 200"'))[0]
    z = complex(x, y) * scale * complex(math.cos(math.radians(turn)), math.sin(math.radians(turn))) + complex(tx, ty)
    assert (found.x_mm, found.y_mm) == pytest.approx((z.real, 200 - z.imag), abs=1e-6)
    assert found.diameter_mm == pytest.approx(2 * scale, rel=1e-9)


def test_our_own_drawings_come_back(tmp_path: Path) -> None:
    places = [(12.0, 20.0), (40.5, 33.25), (80.0, 15.0)]
    drawing = Drawing(100, 50, tuple(Circle(p, 1.5, layer="holes") for p in places))
    (tmp_path / "own.svg").write_text(to_svg(drawing))
    got = sorted((h.x_mm, h.y_mm) for h in read_holes(tmp_path / "own.svg"))
    assert got == [pytest.approx(p, abs=1e-3) for p in sorted(places)]
    (tmp_path / "own.dxf").write_text(to_dxf(drawing.shapes))
    got = sorted((h.x_mm, h.y_mm) for h in read_holes(tmp_path / "own.dxf"))
    assert got == [pytest.approx(p, abs=1e-3) for p in sorted(places)]


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.svg", b"not xml at all"),
        ("a.svg", b"<svg"),
        ("a.svg", b"<html/>"),
        ("a.svg", b'<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><svg xmlns="http://www.w3.org/2000/svg">&b;</svg>'),
        ("a.svg", b'<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]><svg xmlns="http://www.w3.org/2000/svg">&x;</svg>'),
        ("a.dxf", b"\x00\x01\x02 no drawing"),
        ("a.stl", b"solid"),
    ],
)  # fmt: skip
def test_broken_drawings_are_sentences(tmp_path: Path, name: str, data: bytes) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(FileTrouble, match=name):
        read_holes(tmp_path / name)


def test_a_drawing_turned_and_shifted_joins_the_survey() -> None:
    """Where the sheet lies is found from the readings; only its shape counts."""
    machine = demo("tarn").machine
    spots = {
        "lower_pivot": (34.0, 50.0),
        "upper_pivot": (38.0, 78.0),
        "lower_eye": (76.0, 54.0),
        "contact": (134.0, 0.0),
    }
    turn = complex(math.cos(0.3), math.sin(0.3))
    marks = []
    for name, (out, up) in spots.items():
        z = complex(out, up) * turn + complex(500, -40)
        marks.append(Mark(PointName(name, "left"), z.real, z.imag, 0.2))
    p = {n: PointName(n) for n in spots}
    readings = (
        Reading("height", (p["lower_pivot"],), 50.0),
        Reading("height", (p["lower_eye"],), 54.0),
        Reading("offset", (p["contact"],), 134.0),
    )
    found = solve(machine, Survey(readings, (Sheet("plate.dxf", "drawing", "front", False, tuple(marks)),), differ=()))
    assert not found.open
    assert not found.aside
    for q in found.points:
        assert (q.out_mm, q.up_mm) == pytest.approx(spots[q.point.place], abs=1e-6)
