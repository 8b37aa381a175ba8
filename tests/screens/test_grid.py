"""Grid, raster, sketch and charts: what is painted is where it should be, whatever is written."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.style import Style

from leanmix.drawing import Raster
from leanmix.screens.charts import Level, Trace, bar, chart
from leanmix.screens.grid import INKS, Grid
from leanmix.screens.sketch import Sketch, Window, outline
from leanmix.words import figure, percent, signed, way, with_unit

STYLES = [Style()] * len(INKS)


@given(
    st.lists(
        st.tuples(st.integers(-3, 6), st.integers(-30, 40), st.text(max_size=30), st.sampled_from(INKS)), max_size=12
    )
)
def test_every_row_is_as_wide_as_the_grid_whatever_is_put(puts: list[tuple[int, int, str, str]]) -> None:
    grid = Grid(24, 4)
    for row, column, text, name in puts:
        grid.put(row, column, text, name)
        grid.dye(row, column, 3, name)
    for strip in grid.strips(STYLES):
        assert sum(cell_len(s.text) for s in strip) == 24


def test_text_is_cut_where_its_room_ends() -> None:
    grid = Grid(12, 1)
    grid.put(0, 1, "a long sentence", width=6)
    assert grid.row_text(0) == " a lon…     "
    grid.put_right(0, 12, "end")
    assert grid.row_text(0) == " a lon…  end"


def test_words_wrap_and_say_that_they_go_on() -> None:
    grid = Grid(10, 5)
    assert grid.put_words(0, 0, "one two three four five", width=9, rows=2) == 2
    assert grid.text().splitlines()[:2] == ["one two", "three fo…"] or grid.row_text(1).rstrip().endswith("…")
    assert grid.put_words(2, 0, "short", width=9) == 3


def test_wide_characters_keep_two_cells_or_go() -> None:
    grid = Grid(6, 1)
    grid.put(0, 0, "日本")
    assert grid.row_text(0) == "日本  "
    grid.put(0, 1, "x")
    assert cell_len(grid.row_text(0)) == 6


def test_runs_of_one_ink() -> None:
    grid = Grid(6, 1)
    grid.put(0, 0, "ab", "bad")
    grid.put(0, 2, "cd", "good")
    assert grid.runs(0) == [("ab", "bad"), ("cd", "good"), ("  ", "plain")]


# Unicode standard, block Braille Patterns: U+2800 plus a bit for each dot, numbered down the left, then the right,
# dots 7 and 8 below
@pytest.mark.parametrize(
    ("x", "y", "code"),
    [
        (0, 0, 0x2801),
        (0, 1, 0x2802),
        (0, 2, 0x2804),
        (1, 0, 0x2808),
        (1, 1, 0x2810),
        (1, 2, 0x2820),
        (0, 3, 0x2840),
        (1, 3, 0x2880),
    ],
)
def test_each_dot_is_the_standards_bit(x: int, y: int, code: int) -> None:
    raster = Raster(1, 1)
    raster.points([x], [y])
    assert raster.codes()[0, 0] == code


@given(st.lists(st.tuples(*[st.floats(-1e6, 1e6)] * 4), min_size=1, max_size=8))
@example([(0.0, 0.0, 0.0, 2.2e-309)])
def test_strokes_anywhere_set_only_dots_near_their_line(strokes: list[tuple[float, float, float, float]]) -> None:
    raster = Raster(10, 5)
    a = np.array([s[:2] for s in strokes])
    b = np.array([s[2:] for s in strokes])
    raster.strokes(a, b)
    ys, xs = np.nonzero(raster.dots)
    if not len(xs):
        return
    p = np.column_stack([xs, ys]).astype(float)
    way = b - a
    length = np.maximum((way**2).sum(axis=1), 1e-12)
    t = np.clip(((p[:, None, :] - a[None]) * way[None]).sum(axis=2) / length[None], 0, 1)
    off = np.hypot(*((a[None] + t[..., None] * way[None]) - p[:, None, :]).transpose(2, 0, 1)).min(axis=1)
    # nearest dot of a sample: half a dot each way; long strokes lose digits in their own length
    assert off.max() <= 0.75 + 1e-9 * np.abs(np.concatenate([a, b])).max()


def test_a_stroke_across_leaves_no_hole() -> None:
    raster = Raster(20, 5)
    raster.strokes([[0, 0]], [[39, 19]])
    assert raster.dots.any(axis=0).all()
    raster = Raster(20, 5)
    raster.strokes([[-1e7, 10]], [[1e7, 10]])
    assert raster.dots[10].all()


def test_a_stroke_that_is_no_number_is_left_out() -> None:
    raster = Raster(4, 2)
    raster.strokes([[np.nan, 0], [0, 0]], [[1, 1], [np.inf, 0]])
    assert not raster.dots.any()


@given(st.integers(1, 7), st.floats(0, 20), st.integers(0, 2**32 - 1))
def test_an_outline_lies_its_rounding_away_from_its_convex_corners(n: int, radius: float, seed: int) -> None:
    from scipy.spatial import ConvexHull

    rng = np.random.default_rng(seed)
    corners = rng.uniform(-50, 50, (n, 2))
    if n > 2:
        corners = corners[ConvexHull(corners).vertices]
    edge = outline(corners, radius)
    ring = corners if len(corners) > 2 else np.concatenate([corners, corners[:1]])
    a, b = ring, np.roll(ring, -1, axis=0)
    way = b - a
    t = np.clip(((edge[:, None] - a) * way).sum(axis=2) / np.maximum((way**2).sum(axis=1), 1e-12), 0, 1)
    off = np.hypot(*(a + t[..., None] * way - edge[:, None]).transpose(2, 0, 1)).min(axis=1)
    assert off == pytest.approx(radius, abs=1e-6)


def test_a_sketch_is_to_scale_both_ways() -> None:
    grid = Grid(40, 20)
    sketch = Sketch()
    sketch.path([(-10, -10), (10, -10), (10, 10), (-10, 10)], "metal", closed=True)
    scale = sketch.onto(grid, 0, 0, 40, 20, Window(-20, 20, -20, 20))
    rows = [r for r in range(20) if grid.row_text(r).strip()]
    columns = max(len(grid.row_text(r).rstrip()) for r in rows) - min(
        len(grid.row_text(r)) - len(grid.row_text(r).lstrip()) for r in rows
    )
    assert 2 * columns * scale == pytest.approx(20, abs=3 * scale)
    assert 4 * len(rows) * scale == pytest.approx(20, abs=5 * scale)


def test_a_chart_puts_points_where_they_belong() -> None:
    grid = Grid(60, 16)
    xs = np.linspace(-1, 1, 101)
    plane = chart(grid, 0, 0, 60, 16, [Trace("line", xs, 10 * xs)], x_title="steer", y_title="lean, °", here=0.5)
    assert plane is not None
    row, column = plane.cell(0.5, 5.0)
    assert grid.row_text(row)[column] == "●"
    x, y = plane.point(row, column)
    assert x == pytest.approx(0.5, abs=0.03)
    assert y == pytest.approx(5.0, abs=1.0)


def test_a_turned_chart_has_left_on_the_left() -> None:
    grid = Grid(60, 16)
    xs = np.linspace(-1, 1, 101)
    plane = chart(
        grid, 0, 0, 60, 16, [Trace("", xs, xs)], x_title="steer", y_title="y", turned=True, x_words=("full left", "full right"),
    )  # fmt: skip
    assert plane is not None
    assert plane.cell(1.0, 0)[1] < plane.cell(-1.0, 0)[1]
    text = grid.text()
    assert text.index("full left") < text.index("full right")


@given(
    st.integers(0, 70), st.integers(0, 20),
    st.lists(st.floats(allow_nan=True, allow_infinity=True), min_size=1, max_size=6),
)  # fmt: skip
def test_a_chart_of_anything_anywhere_breaks_nothing(columns: int, rows: int, ys: list[float]) -> None:
    grid = Grid(columns, rows)
    with np.errstate(all="ignore"):
        values = np.clip(ys, -1e12, 1e12)
    chart(
        grid, 0, 0, columns, rows, [Trace("t", np.arange(len(ys)), values)], x_title="x", y_title="y",
        levels=[Level(0.0, "nought")], here=0.0,
    )  # fmt: skip


def test_figures_in_words() -> None:
    assert figure(-0.04) == "0.0"
    assert figure(-3.25, 2) == "−3.25"
    assert figure(float("nan")) == figure(None) == "—"
    assert signed(2.0) == "+2.0"
    assert signed(-2.0) == "−2.0"
    assert way(3.04) == "3.0° left"
    assert way(-3.06) == "3.1° right"
    assert way(0.01) == "0.0°"
    assert with_unit("5", "deg") == "5°"
    assert with_unit("5", "mm") == "5 mm"
    assert percent(0.123) == "12 %"


@pytest.mark.parametrize(("share", "full"), [(0.0, 0), (0.5, 5), (1.0, 10), (2.0, 9), (float("nan"), 0)])
def test_a_bar_is_as_long_as_its_share(share: float, full: int) -> None:
    grid = Grid(10, 1)
    bar(grid, 0, 0, 10, share, "now")
    assert grid.row_text(0).count("█") == full
