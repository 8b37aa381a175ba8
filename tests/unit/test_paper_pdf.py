"""The PDF as a printer would have it: measured, fonts looked at, edges looked at, in black and white."""

from __future__ import annotations

import subprocess
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

import leanmix.job
from leanmix.drawing import Drawing, Line, Polygon, Shape, Text, moved
from leanmix.job import work_out
from leanmix.machine import DEMOS, demo
from leanmix.paper import A4, LETTER, PAPERS, Facts, facts_of, sheet_pages, template_pages, to_pdf

Grey = NDArray[np.uint8]
DPI = 600
MM = 25.4 / DPI
TOLERANCE_MM = 0.1


@lru_cache(maxsize=4)
def facts(name: str) -> Facts:
    """A demo's results; fewer builds than in earnest, paper does not care."""
    before, leanmix.job.BUILDS = leanmix.job.BUILDS, 300
    try:
        return facts_of(work_out(demo(name)))
    finally:
        leanmix.job.BUILDS = before


def rendered(pages: tuple[Drawing, ...], folder: Path, dpi: int = DPI, *, colour: bool = False) -> list[Grey]:
    """Pages through another program's renderer."""
    (folder / "p.pdf").write_bytes(to_pdf(pages, "test"))
    grey = [] if colour else ["-gray"]
    subprocess.run(["pdftoppm", "-r", str(dpi), *grey, folder / "p.pdf", folder / "p"], check=True)
    return [np.asarray(Image.open(f)) for f in sorted(folder.glob("p-*.p?m"))]


def edges_mm(row: Grey) -> list[float]:
    """Where dark begins and ends along a row of dots [mm], to a part of a dot by its grey."""
    dark = 1.0 - row.astype(float) / 255
    out = []
    for i in range(1, len(dark)):
        a, b = dark[i - 1], dark[i]
        if (a < 0.5) != (b < 0.5):
            out.append((i - 0.5 + (0.5 - a) / (b - a)) * MM)
    return out


def lines_mm(row: Grey) -> list[float]:
    """Middles of the dark places along a row of dots [mm]."""
    e = edges_mm(row)
    return [(a + b) / 2 for a, b in zip(e[::2], e[1::2], strict=True)]


def row_at(page: Grey, height_mm: float, up_mm: float, left_mm: float, right_mm: float) -> Grey:
    """Dots along a level line, between two places from the left edge."""
    return page[round((height_mm - up_mm) / MM), round(left_mm / MM) : round(right_mm / MM)]


def of_layer(page: Drawing, layer: str) -> list[Shape]:
    return [s for s in page.shapes if getattr(s, "layer", "") == layer]


@pytest.mark.parametrize("paper", [A4, LETTER])
def test_scale_bar_and_distances_are_right_to_a_tenth(paper: object, tmp_path: Path) -> None:
    """Scale bar 100 mm; check line 150 mm; arm 30 mm ball to ball; link 30.15 mm; gauge tongue 10 mm."""
    assert paper in PAPERS.values()
    sheets = template_pages(facts("tarn"), paper)[:1]  # type: ignore[arg-type]
    (page,), drawing = rendered(sheets, tmp_path), sheets[0]
    high = drawing.height_mm

    bars = [s for s in of_layer(drawing, "scale") if isinstance(s, Polygon)]
    left, foot = bars[0].points[0]
    found = edges_mm(row_at(page, high, foot + 2.0, left - 3, left + 105))
    # black from 0 to 10, 20 to 30 … and the last, empty field's own edge; half a line's width outside each end
    assert found[-1] - found[0] == pytest.approx(100.0 + 0.25, abs=TOLERANCE_MM)
    assert found[1] - found[0] == pytest.approx(10.0 + 0.25, abs=TOLERANCE_MM)

    zero = next(s for s in of_layer(drawing, "scale") if isinstance(s, Line) and s.start[0] == s.end[0])
    marks = lines_mm(row_at(page, high, zero.start[1] + 4.0 + 4.2, zero.start[0] - 2, zero.start[0] + 175))
    start = lines_mm(row_at(page, high, zero.start[1] + 4.0 + 2.5, zero.start[0] - 2, zero.start[0] + 20))
    assert marks[-1] - start[0] == pytest.approx(150.0, abs=TOLERANCE_MM)

    words = {s.text: s for s in of_layer(drawing, "sizes") if isinstance(s, Text)}
    for says, size in (("30 mm ball to ball", 30.0), ("30.15 mm ball to ball", 30.15)):
        x, y = words[says].at
        # just under the dimension line only its end ticks are dark
        ticks = lines_mm(row_at(page, high, y - 1.0 - 0.95, x - size / 2 - 1.5, x + size / 2 + 1.5))
        assert ticks[-1] - ticks[0] == pytest.approx(size, abs=TOLERANCE_MM)
    x, y = words["10 mm"].at
    tongue = lines_mm(row_at(page, high, y - 9.0, x - 8, x + 8))
    assert tongue[-1] - tongue[0] == pytest.approx(10.0, abs=TOLERANCE_MM)


def test_front_view_to_size_is_right_to_a_tenth(tmp_path: Path) -> None:
    """Wren fits on one sheet: contact to contact, and pivot heights, against the machine file."""
    wren = facts("wren")
    sheets = tuple(p for p in template_pages(wren, A4) if "arm centred" in p.title)
    (page,) = rendered(sheets, tmp_path)
    (drawing,) = sheets
    words = {s.text: s for s in _inside(drawing) if isinstance(s, Text)}
    left, right = words["left"].at, words["right"].at
    board = left[1] + 7.0
    crosses = lines_mm(row_at(page, drawing.height_mm, board - 1.5, left[0] - 5, right[0] + 5))
    assert crosses[-1] - crosses[0] == pytest.approx(2 * 80.0, abs=TOLERANCE_MM)
    # up the left side, through the lower pivot's cross (24 mm out, 30 mm up) and on to the board's line
    middle = (left[0] + right[0]) / 2
    column = page[:, round((middle - 24.0 + 1.8) / MM)][::-1]
    heights = lines_mm(column)
    ground = min(heights, key=lambda h: abs(h - board))
    assert min(abs(h - ground - 30.0) for h in heights) <= TOLERANCE_MM


def _inside(drawing: Drawing) -> list[Shape]:
    return [inner for s in drawing.shapes for inner in getattr(s, "shapes", (s,))]


def test_the_check_line_shows_how_far_a_printer_is_off(tmp_path: Path) -> None:
    """A print 1 % too large: the ruler's 150 mm falls on the mark for +1 %."""
    (sheet,) = template_pages(facts("tarn"), A4)[:1]
    (page,) = rendered((sheet,), tmp_path)
    zero = next(s for s in of_layer(sheet, "scale") if isinstance(s, Line) and s.start[0] == s.end[0])
    at_zero = lines_mm(row_at(page, A4.height_mm, zero.start[1] + 4 + 2.5, zero.start[0] - 2, zero.start[0] + 20))[0]
    long_marks = lines_mm(row_at(page, A4.height_mm, zero.start[1] + 4 + 2.9, zero.start[0] - 2, zero.start[0] + 175))
    printed = [1.01 * (m - at_zero) for m in long_marks[1:]]  # +2, +1, 0, −1, −2 %
    assert printed[1] == pytest.approx(150.0, abs=TOLERANCE_MM)
    # the signs: a print too large brings a place nearer the zero to 150
    places = {s.text: s.at[0] for s in of_layer(sheet, "scale") if isinstance(s, Text)}
    assert places["+2 %"] < places["exact"] < places["−2 %"]


@pytest.mark.parametrize("paper", PAPERS.values(), ids=PAPERS)
@pytest.mark.parametrize("name", DEMOS)
def test_all_pages_are_grey_whole_and_of_the_right_size(name: str, paper: object, tmp_path: Path) -> None:
    f = facts(name)
    sheets = sheet_pages(f, paper) + template_pages(f, paper)  # type: ignore[arg-type]
    pages = rendered(sheets, tmp_path, 60, colour=True)
    assert len(pages) == len(sheets)
    fonts = subprocess.run(["pdffonts", tmp_path / "p.pdf"], capture_output=True, text=True, check=True).stdout
    rows = fonts.splitlines()[2:]
    assert len(rows) == 2
    assert all("TrueType" in row and row.split("WinAnsi")[1].split()[0] == "yes" for row in rows)
    for page, sheet in zip(pages, sheets, strict=True):
        assert {round(sheet.width_mm, 1), round(sheet.height_mm, 1)} == {
            round(PAPERS[k].width_mm, 1) for k in PAPERS if PAPERS[k] is paper
        } | {round(PAPERS[k].height_mm, 1) for k in PAPERS if PAPERS[k] is paper}
        assert page.shape[:2] == pytest.approx((sheet.height_mm / 25.4 * 60, sheet.width_mm / 25.4 * 60), abs=1.5)
        assert (page.max(axis=2) == page.min(axis=2)).all()
        edge = round(8 / 25.4 * 60)
        border = np.concatenate(
            [page[:edge].ravel(), page[-edge:].ravel(), page[:, :edge].ravel(), page[:, -edge:].ravel()]
        )
        assert border.min() == 255
        assert (page < 128).sum() > 500


def test_the_same_pages_give_the_same_bytes() -> None:
    pages = sheet_pages(facts("wren"), A4)
    assert to_pdf(pages, "Wren") == to_pdf(pages, "Wren")
    with pytest.raises(ValueError, match="page"):
        to_pdf((), "none")


def test_png_and_pdf_show_the_same_picture(tmp_path: Path) -> None:
    """Two renderers that share nothing but the typeface's file: dots differ only along the edges of lines."""
    import io

    from leanmix.drawing import to_png

    page = sheet_pages(facts("tarn"), A4)[0]
    page = Drawing(page.width_mm, page.height_mm, tuple(moved(s, 0, 0) for s in page.shapes))
    (theirs,) = rendered((page,), tmp_path, 150)
    ours = np.asarray(Image.open(io.BytesIO(to_png(page, 150))))
    size = tuple(min(a, b) for a, b in zip(ours.shape, theirs.shape, strict=True))
    blocks = (size[0] // 12, 12, size[1] // 12, 12)
    a, b = ((255.0 - p[: blocks[0] * 12, : blocks[2] * 12]).reshape(blocks).mean(axis=(1, 3)) for p in (ours, theirs))
    # mean ink of 2 mm squares; text of 2.5 mm is hinted differently, so a square may differ by a dot's row
    assert abs(a.mean() / b.mean() - 1) < 0.08
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.97
