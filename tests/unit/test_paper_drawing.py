"""Drawings as SVG and PNG: the same picture from readers that are not ours."""

from __future__ import annotations

import io
import math
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from fontTools.ttLib import TTFont
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from leanmix.drawing import (
    Circle,
    Clipped,
    Drawing,
    Line,
    Pen,
    Polygon,
    Polyline,
    Series,
    Shape,
    Text,
    chart,
    crowded,
    font_file,
    moved,
    nice_ticks,
    text_corners,
    text_width_mm,
    to_png,
    to_svg,
    writable,
)

SVG = "{http://www.w3.org/2000/svg}"


def dots(*shapes: Shape, dpi: float = 254.0) -> NDArray[np.float64]:
    """Ink 0…1 of a 40 × 30 mm picture, 10 dots a mm, row 0 at the top."""
    image = Image.open(io.BytesIO(to_png(Drawing(40.0, 30.0, shapes), dpi)))
    return 1.0 - np.asarray(image, dtype=np.float64) / 255


def middle_mm(ink: NDArray[np.float64]) -> tuple[float, float]:
    """Centre of the ink [mm from the lower left]."""
    ys, xs = np.mgrid[: ink.shape[0], : ink.shape[1]]
    return float((ink * (xs + 0.5)).sum() / ink.sum() / 10), 30.0 - float((ink * (ys + 0.5)).sum() / ink.sum() / 10)


def test_png_has_size_and_dpi_as_asked() -> None:
    image = Image.open(io.BytesIO(to_png(Drawing(100.0, 50.0, ()), 127.0)))
    assert image.size == (500, 250)
    assert image.mode == "L"
    assert image.info["dpi"] == pytest.approx((127, 127), abs=0.1)
    assert np.asarray(image).min() == 255


@pytest.mark.parametrize("dpi", [9.9, 1201, math.nan])
def test_png_refuses_a_dpi_that_makes_no_sense(dpi: float) -> None:
    with pytest.raises(ValueError, match="dpi = "):
        to_png(Drawing(10, 10, ()), dpi)


def test_png_refuses_a_picture_without_end() -> None:
    with pytest.raises(ValueError, match="dots are too many"):
        to_png(Drawing(5000, 5000, ()), 600)


def test_shapes_have_their_area_and_place() -> None:
    """Areas from geometry: line 20 × 0.5, square 10 × 10, disc of radius 4."""
    line = dots(Line((10, 15), (30, 15), Pen(0.5)))
    assert line.sum() / 100 == pytest.approx(10.0, rel=0.03)
    assert middle_mm(line) == pytest.approx((20, 15), abs=0.05)
    square = dots(Polygon(((5, 5), (15, 5), (15, 15), (5, 15)), None, 0.0))
    assert square.sum() / 100 == pytest.approx(100.0, rel=0.02)
    assert middle_mm(square) == pytest.approx((10, 10), abs=0.05)
    disc = dots(Circle((30, 20), 4.0, None, 0.0))
    assert disc.sum() / 100 == pytest.approx(math.pi * 16, rel=0.02)
    assert middle_mm(disc) == pytest.approx((30, 20), abs=0.05)
    ring = dots(Circle((20, 15), 8.0, Pen(0.6)))
    assert ring.sum() / 100 == pytest.approx(2 * math.pi * 8 * 0.6, rel=0.05)


def test_dashes_leave_their_gaps() -> None:
    full = dots(Line((5, 15), (35, 15), Pen(0.4))).sum()
    dashed = dots(Line((5, 15), (35, 15), Pen(0.4, 0.0, (2.0, 1.0)))).sum()
    assert dashed / full == pytest.approx(2 / 3, rel=0.05)
    around = dots(Circle((20, 15), 8.0, Pen(0.4, 0.0, (2.0, 1.0)))).sum() / dots(Circle((20, 15), 8.0, Pen(0.4))).sum()
    assert around == pytest.approx(2 / 3, rel=0.08)


def test_clipped_shows_only_its_window() -> None:
    ink = dots(Clipped((10, 10), (20, 20), (Polygon(((0, 0), (40, 0), (40, 30), (0, 30)), None, 0.0),)))
    assert ink.sum() / 100 == pytest.approx(100, rel=0.01)
    assert middle_mm(ink) == pytest.approx((15, 15), abs=0.06)


@pytest.mark.parametrize("turn", [0.0, 90.0, 180.0, 37.0])
@pytest.mark.parametrize("anchor", ["start", "middle", "end"])
def test_writing_lies_in_the_box_it_is_said_to_take(anchor: str, turn: float) -> None:
    text = Text((20, 15), "µ° ±Ag", 3.0, anchor, turn)  # type: ignore[arg-type]
    ink = dots(text) > 0.5
    ys, xs = np.nonzero(ink)
    corners = text_corners(text)
    # in the text's own axes
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))

    def own(x: float, y: float) -> tuple[float, float]:
        return c * (x - 20) + s * (y - 15), -s * (x - 20) + c * (y - 15)

    us, vs = zip(*(own((x + 0.5) / 10, 30 - (y + 0.5) / 10) for x, y in zip(xs, ys, strict=True)), strict=True)
    low, high = own(*corners[0]), own(*corners[2])
    assert low[0] - 0.25 <= min(us) < max(us) <= high[0] + 0.25
    assert low[1] - 0.2 <= min(vs) < max(vs) <= high[1] + 0.2
    assert max(us) - min(us) > 0.85 * (high[0] - low[0])


def test_the_face_writes_what_it_is_said_to_write() -> None:
    """Against the font file's own table of letters."""
    for bold in (False, True):
        with TTFont(font_file(bold=bold)) as font:
            has = set(font.getBestCmap())
            advances = font["hmtx"].metrics
            names = font.getBestCmap()
            for letter in "Mi µ°±−Ø1,":
                width = advances[names[ord(letter)]][0] / font["head"].unitsPerEm
                assert text_width_mm(letter, 10.0, bold=bold) == pytest.approx(10 * width, abs=0.006)
        for code in range(0x20, 0xD7FF):
            if writable(chr(code)) == chr(code):
                assert code in has, hex(code)


@given(st.text(max_size=60))
def test_any_text_can_be_written(text: str) -> None:
    shown = writable(text)
    assert writable(shown) == shown
    assert len(shown) == len(text)
    root = ET.fromstring(to_svg(Drawing(10, 10, (Text((1, 1), text),), text)))
    assert "".join(root.findall(f".//{SVG}text")[0].itertext()) == shown
    assert text_width_mm(text, 3.0) == pytest.approx(text_width_mm(shown, 3.0))


points = st.tuples(st.floats(-20, 60), st.floats(-20, 60))


@given(
    shapes=st.lists(
        st.one_of(
            st.builds(Line, points, points),
            st.builds(lambda p, d: Polyline(tuple(p), Pen(0.3, 0.2, d)), st.lists(points, min_size=2, max_size=5),
                      st.sampled_from([(), (1.0, 0.5), (0.0, 0.0), (2.0,)])),
            st.builds(lambda p: Polygon(tuple(p), Pen(0.2), 0.5), st.lists(points, min_size=3, max_size=6)),
            st.builds(Circle, points, st.floats(0, 30)),
            st.builds(lambda p, t, a: Text(p, t, 3.0, "middle", a), points, st.text(max_size=8), st.floats(-360, 360)),
        ),
        max_size=6,
    )
)  # fmt: skip
@settings(max_examples=30)
def test_any_shapes_can_be_drawn(shapes: list[Shape]) -> None:
    drawing = Drawing(40.0, 30.0, (*shapes, Clipped((5, 5), (20, 20), tuple(shapes))))
    ET.fromstring(to_svg(drawing))
    assert to_png(drawing, 40).startswith(b"\x89PNG")
    shifted = Drawing(40.0, 30.0, tuple(moved(moved(s, 3.0, -2.0), -3.0, 2.0) for s in drawing.shapes))
    assert len(crowded(shifted)) == len(crowded(drawing))


def test_svg_places_things_with_y_downwards_in_mm() -> None:
    root = ET.fromstring(
        to_svg(
            Drawing(
                40.0,
                30.0,
                (Circle((10, 20), 3.0, layer="a b"), Line((1, 1), (5, 20)), Text((1, 2), "x", turn_deg=30.0)),
            )
        )
    )
    circle = root.find(f".//{SVG}circle")
    assert circle is not None
    assert [float(circle.attrib[k]) for k in ("cx", "cy", "r")] == [10, 10, 3]
    line = root.find(f".//{SVG}polyline")
    assert line is not None
    assert line.attrib["points"] == "1,29 5,10"
    text = root.find(f".//{SVG}text")
    assert text is not None
    assert text.attrib["transform"] == "rotate(-30 1 28)"
    assert root.attrib["viewBox"] == "0 0 40 30"
    assert [g.attrib.get("id") for g in root.iter(f"{SVG}g")] == ["a-b"]


@given(low=st.floats(-1e4, 1e4), span=st.floats(0, 1e4), about=st.integers(2, 12))
def test_ticks_are_round_and_hold_the_range(low: float, span: float, about: int) -> None:
    ticks = nice_ticks(low, low + span, about)
    assert 2 <= len(ticks) <= 2 * about + 3
    steps = np.diff(ticks)
    assert np.allclose(steps, steps[0], rtol=1e-6)
    assert ticks[0] <= low + 1e-6 * max(1, abs(low))
    assert ticks[-1] >= low + span - 1e-6 * max(1, abs(low) + span)


@pytest.mark.parametrize(
    "series",
    [
        [Series("one", [0, 1, 2], [1, 5, 2])],
        [Series("one", [0, 1, 2], [math.nan, 5, 2]), Series("two", [0, 1, 2, 3], [1, math.nan, 3, 4])],
        [Series("level", [0, 1], [3, 3])],
        [Series("none", [], [])],
        [Series("small", [0, 1], [1e-7, 2e-7]), Series("b", [0, 1], [0, 1e-7]), Series("c", [0, 1], [1e-7, 0])],
    ],
)
def test_a_chart_stays_in_its_room_and_can_be_read(series: list[Series]) -> None:
    shapes = chart(series, 120.0, 60.0, "across, mm", "up, mm", level=[(2.0, "a level")])
    drawing = Drawing(120.0, 60.0, shapes)
    assert crowded(drawing) == []
    lines = [s for s in shapes if isinstance(s, Polyline)]
    assert all(0 <= x <= 120 and 0 <= y <= 60 for s in lines for x, y in s.points)
    dashes = [s.pen.dash_mm for s in lines]
    assert len(set(dashes)) == len({s.label for s in series if len([v for v in s.ys if math.isfinite(v)]) > 1})


def test_a_chart_draws_its_points_to_scale() -> None:
    (line,) = (s for s in chart([Series("s", [0, 5, 10], [0, 50, 100])], 100, 60, "x", "y") if isinstance(s, Polyline))
    a, b, c = line.points
    assert b == pytest.approx(((a[0] + c[0]) / 2, (a[1] + c[1]) / 2))
    assert c[0] > a[0]
    assert c[1] > a[1]
