"""Pages from blocks: headings, paragraphs, tables and pictures run down the page and onto the next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from leanmix.drawing import Anchor, Drawing, Line, Pen, Shape, Text, moved, text_width_mm, writable

__all__ = [
    "A4",
    "LETTER",
    "MARGIN_MM",
    "PAPERS",
    "Block",
    "Paper",
    "beside",
    "figure",
    "fitted",
    "gap",
    "heading",
    "pages_of",
    "paragraph",
    "table",
    "text_area",
    "wrapped",
]

MARGIN_MM = 15.0
BODY_MM = 3.0
LEADING = 1.4
_FURNITURE_MM = 7.0  # running head and foot, each
_HAIR = Pen(0.1, 0.5)
_RULE = Pen(0.2, 0.0)


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper, upright, in mm."""

    name: str
    width_mm: float
    height_mm: float


A4 = Paper("A4", 210.0, 297.0)
LETTER = Paper("Letter", 215.9, 279.4)
PAPERS = {"a4": A4, "letter": LETTER}


@dataclass(frozen=True, slots=True)
class Block:
    """Something of a known height that is never cut across.

    Attributes
    ----------
    height_mm : float
        Room it takes.
    shapes : tuple of Shape
        Relative to the block's upper left corner: y from 0 down to −height.
    with_next : bool
        Must not be the last on a page.
    head : Block or None
        Repeated above it where it comes first on a new page (a table's column titles).
    new_page : bool
        Begins a page.
    """

    height_mm: float
    shapes: tuple[Shape, ...] = ()
    with_next: bool = False
    head: Block | None = field(default=None)
    new_page: bool = False


def text_area(paper: Paper) -> tuple[float, float]:
    """Width and height [mm] between the margins, running head and foot taken off."""
    return paper.width_mm - 2 * MARGIN_MM, paper.height_mm - 2 * MARGIN_MM - 2 * _FURNITURE_MM


def wrapped(text: str, width_mm: float, size_mm: float, *, bold: bool = False) -> list[str]:
    """Lines of a text that each fit a width; words wider than it are cut."""
    lines: list[str] = []
    line = ""
    for word in writable(text).split():
        trial = f"{line} {word}" if line else word
        if text_width_mm(trial, size_mm, bold=bold) <= width_mm:
            line = trial
            continue
        if line:
            lines.append(line)
        while text_width_mm(word, size_mm, bold=bold) > width_mm and len(word) > 1:
            cut = len(word) - 1
            while cut > 1 and text_width_mm(word[:cut], size_mm, bold=bold) > width_mm:
                cut -= 1
            lines.append(word[:cut])
            word = word[cut:]
        line = word
    return [*lines, line] if line or not lines else lines


def fitted(text: str, width_mm: float, size_mm: float, *, bold: bool = False) -> str:
    """One line of a text: cut short with … where it is wider than `width_mm`."""
    if text_width_mm(text, size_mm, bold=bold) <= width_mm:
        return text
    while text and text_width_mm(f"{text}…", size_mm, bold=bold) > width_mm:
        text = text[:-1]
    return f"{text.rstrip()}…"


def gap(height_mm: float) -> Block:
    """Empty room."""
    return Block(height_mm)


def heading(text: str, width_mm: float, *, new_page: bool = False) -> Block:
    """A section's title with a line under it."""
    size = 4.4
    title = Text((0, -7.2), fitted(text, width_mm, size, bold=True), size, bold=True)
    return Block(11.0, (title, Line((0, -8.7), (width_mm, -8.7), _RULE)), with_next=True, new_page=new_page)


def paragraph(
    text: str, width_mm: float, *, size_mm: float = BODY_MM, bold: bool = False, indent_mm: float = 0.0, mark: str = ""
) -> Block:
    """Wrapped text; `mark` stands in the indent of its first line."""
    step = size_mm * LEADING
    lines = wrapped(text, width_mm - indent_mm, size_mm, bold=bold)
    shapes: list[Shape] = [
        Text((indent_mm, -(i + 1) * step + 0.35 * size_mm), line, size_mm, bold=bold) for i, line in enumerate(lines)
    ]
    if mark:
        shapes.insert(0, Text((0, -step + 0.35 * size_mm), mark, size_mm, bold=True))
    return Block(len(lines) * step + 0.4 * size_mm, tuple(shapes))


Align = Literal["left", "right"]


def table(
    titles: Sequence[str],
    rows: Iterable[Sequence[str]],
    widths_mm: Sequence[float],
    align: Sequence[Align] = (),
    *,
    size_mm: float = 2.8,
) -> list[Block]:
    """A table, one block a row, titles repeated on a new page.

    Parameters
    ----------
    titles : sequence of str
        Column titles; all empty for none.
    rows : iterable of sequence of str
        Cells, wrapped within their column.
    widths_mm : sequence of float
        Column widths.
    align : sequence of "left" or "right"
        Per column; left where not given.
    size_mm : float
        Size of the type.
    """
    sides = [*align, *["left"] * (len(widths_mm) - len(align))]
    whole = sum(widths_mm)
    head: Block | None = None
    out: list[Block] = []
    if any(titles):
        base = _row(titles, widths_mm, sides, size_mm, bold=True)
        head = replace(base, shapes=(*base.shapes, Line((0, -base.height_mm), (whole, -base.height_mm), _RULE)))
        out.append(replace(head, with_next=True))
    for cells in rows:
        base = _row(cells, widths_mm, sides, size_mm, bold=False)
        line = Line((0, -base.height_mm), (whole, -base.height_mm), _HAIR)
        out.append(replace(base, shapes=(*base.shapes, line), head=head))
    if len(out) > 2:
        out[-2] = replace(out[-2], with_next=True)  # a last row alone on a page is easily missed
    return [*out, gap(2.0)]


def _row(
    cells: Sequence[str], widths_mm: Sequence[float], sides: Sequence[str], size_mm: float, *, bold: bool
) -> Block:
    step, pad = size_mm * LEADING, 2.5
    left = 0.0
    shapes: list[Shape] = []
    deepest = 1
    for cell, width, side in zip(cells, widths_mm, sides, strict=True):
        lines = wrapped(cell, width - pad, size_mm, bold=bold)
        deepest = max(deepest, len(lines))
        anchor: Anchor = "end" if side == "right" else "start"
        at = left + width - pad if side == "right" else left
        shapes += [
            Text((at, -(i + 1) * step + 0.15 * size_mm), line, size_mm, anchor, bold=bold)
            for i, line in enumerate(lines)
        ]
        left += width
    return Block(deepest * step + 0.35 * size_mm, tuple(shapes))


def figure(shapes: Iterable[Shape], height_mm: float) -> Block:
    """A picture whose shapes stand on y = 0 … height, x from the left margin."""
    return Block(height_mm, tuple(moved(s, 0, -height_mm) for s in shapes))


def beside(left: Sequence[Block], right: Sequence[Block], right_at_mm: float) -> Block:
    """Two columns as one block."""
    shapes: list[Shape] = []
    deepest = 0.0
    for column, at in ((left, 0.0), (right, right_at_mm)):
        down = 0.0
        for block in column:
            shapes += [moved(s, at, -down) for s in block.shapes]
            down += block.height_mm
        deepest = max(deepest, down)
    return Block(deepest, tuple(shapes))


def pages_of(blocks: Sequence[Block], paper: Paper, title: str, foot: str) -> tuple[Drawing, ...]:
    """Run blocks down pages.

    Parameters
    ----------
    blocks : sequence of Block
        In order. One taller than a page gets a page of its own.
    paper : Paper
        Size of the pages.
    title, foot : str
        Running head and foot; the page count is put in.
    """
    width, height = text_area(paper)
    pages: list[list[Shape]] = [[]]
    down = 0.0
    top = paper.height_mm - MARGIN_MM - _FURNITURE_MM
    for i, block in enumerate(blocks):
        needed, k = block.height_mm, i
        while blocks[k].with_next and k + 1 < len(blocks):
            k += 1
            needed += blocks[k].height_mm
        if down > 0 and (block.new_page or down + needed > height + 1e-9):
            pages.append([])
            down = 0.0
            if block.head is not None:
                pages[-1] += [moved(s, MARGIN_MM, top) for s in block.head.shapes]
                down = block.head.height_mm
        pages[-1] += [moved(s, MARGIN_MM, top - down) for s in block.shapes]
        down += block.height_mm
    return tuple(
        Drawing(
            paper.width_mm,
            paper.height_mm,
            (*_furniture(paper, width, title, foot, f"page {n} of {len(pages)}"), *shapes),
            f"{title}, page {n}",
        )
        for n, shapes in enumerate(pages, start=1)
    )


def _furniture(paper: Paper, width: float, title: str, foot: str, count: str) -> tuple[Shape, ...]:
    size, left, right = 2.5, MARGIN_MM, MARGIN_MM + width
    high, low = paper.height_mm - MARGIN_MM, MARGIN_MM
    room = width - text_width_mm(count, size) - 4
    return (
        Text((left, high - 2.2), fitted(title, room, size, bold=True), size, bold=True),
        Text((right, high - 2.2), count, size, "end"),
        Line((left, high - 3.6), (right, high - 3.6), _HAIR),
        Line((left, low + 3.6), (right, low + 3.6), _HAIR),
        Text((left, low), fitted(foot, width, 2.2), 2.2),
    )
