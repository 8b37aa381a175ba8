"""The survey's pages beside its readings: the points, which is which, and what taking them in moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

from leanmix.machine import MachineFile
from leanmix.screens.grid import Grid
from leanmix.screens.labelled import labelled_sketch
from leanmix.screens.moved import Remeasured, moved_words
from leanmix.screens.surveying import Entry, Surveyed
from leanmix.words import figure, signed, with_unit

if TYPE_CHECKING:
    from leanmix.survey import Advice

__all__ = ["advice_line", "drawing_page", "moved_page", "points_page", "reading_row"]


ASKED = {"stop": "first stop left", "stop-right": "first stop right", "lean": "lean half way there", "tip": "tip limit"}


def advice_line(grid: Grid, row: int, figure_asked: str, advice: tuple[Advice, ...], no_advice: str) -> int:
    """What to measure next, and what that would tell; returns the row after it."""
    from leanmix.remeasure import FIGURES

    text, ink = "next: working it out …", "faint"
    if no_advice:
        text = f"next: {no_advice}"
    elif advice:
        a = advice[0]
        before, after = (with_unit(f"{tol:.2g}", FIGURES[figure_asked].unit) for tol in (a.tol_before, a.tol_after))
        text, ink = f"next: {a.words}; {ASKED[figure_asked]} ± {before} → ± {after}", "now"
    return grid.put_words(row, 1, text, ink, width=grid.columns - 2, rows=2)


def points_page(grid: Grid, found: Surveyed, source: MachineFile) -> None:
    """Where the points came out, and how sure."""
    from leanmix.survey import places_of

    columns = grid.columns
    wide = columns >= 62
    places = places_of(source.machine)
    grid.put(1, 1, "point", "faint")
    out_end, up_end = (32, 43) if wide else (27, 35)
    grid.put_right(1, out_end, "out, mm", "faint")
    grid.put_right(1, up_end, "up, mm", "faint")
    grid.put(1, up_end + 2, "how sure, 95 %" if wide else "±, mm", "faint")
    row = 2
    points = () if found.solution is None else found.solution.points
    points = tuple(sorted(points, key=lambda p: (places[p.point.place].letter or "~", p.point)))
    for p in points:
        if row >= grid.rows - 1:
            break
        letter = places[p.point.place].letter
        grid.put(row, 1, f"{letter or '·'} {p.plain}", "plain", out_end - 8 if wide else 18)
        grid.put_right(row, out_end, figure(p.out_mm, 2), "strong" if p.held else "faint")
        grid.put_right(row, up_end, figure(p.up_mm, 2), "strong" if p.held else "faint")
        if p.held:
            long, short = p.ellipse_mm
            across = f" × {short:.2g}" if short >= 0.005 else ""
            sure = f"± {long:.2g}{across} mm" if wide else f"{long:.2g}"
            grid.put(row, up_end + 2, sure, "good", columns - up_end - 3)
        else:
            grid.put(row, up_end + 2, "open", "warn")
        row += 1
    if not points:
        row = grid.put_words(row, 1, "No reading names a point yet.", "faint", width=columns - 2)
    grid.put(grid.rows - 1, 1, "y takes what is held into the file, as one edit", "keycap", columns - 2)


def drawing_page(grid: Grid, source: MachineFile, entry: Entry | None) -> None:
    """Which point is which; those of the chosen reading stand out."""
    from leanmix.survey import PLACES

    wide = grid.columns >= 62
    machine = source.machine
    places = {p.name: p for p in PLACES}
    mine = entry.reading.points if entry is not None and entry.reading is not None else ()
    named = [places[p.place].letter for p in mine if p.place in places]
    columns = grid.columns - (22 if wide else 0)
    sketch, window = labelled_sketch(machine, named, columns, grid.rows - 1)
    names = [p for p in PLACES if p.view in ("front", "both")]
    sketch.onto(grid, 1, 0, columns, grid.rows - 1, window)
    if wide:
        for i, p in enumerate(names):
            grid.put(3 + i, columns, p.letter, "strong")
            grid.put(3 + i, columns + 2, p.plain, "plain", 19)


def moved_page(grid: Grid, moved: Remeasured | str | None) -> None:
    """What taking the outcome into the file moved."""
    width = grid.columns - 2
    if moved is None:
        grid.put_words(1, 1, "y takes the readings' outcome into the file; what that moves then stands here.", "faint", width=width)  # fmt: skip
        return
    row = 1
    rows = [(f"✕ {moved}", "bad")] if isinstance(moved, str) else list(moved_words(moved))
    for text, ink in rows:
        if row < grid.rows:
            row = grid.put_words(row, 1, text, ink, width=width, rows=min(3, grid.rows - row))


def reading_row(grid: Grid, row: int, entry: Entry) -> None:
    """One reading beside what the rest say of it."""
    columns = grid.columns - 1
    wide = columns >= 62
    sign, ink = entry.mark
    grid.put(row, 1, sign, ink)
    value_end = columns - 22 if wide else columns - 9
    r, c = entry.reading, entry.checked
    value = "" if r is None or r.kind == "alike" else with_unit(f"{r.reads:.2f}", entry.unit)
    grid.put(row, 3, entry.words, "plain", value_end - 3 - len(value) - 1)
    grid.put_right(row, value_end, value, "strong" if c is not None and not c.aside else "faint")
    off = "" if c is None or entry.blind else with_unit(signed(c.off, 2), entry.unit)
    if wide:
        off = f"off by {off}" if off else "not checked" if entry.blind else "left out"
    grid.put_right(row, columns, off if wide else off.removesuffix(" mm"), ink)
