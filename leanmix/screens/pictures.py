"""Pictures and figures out of the screens: what is seen as SVG, PNG or text, the machine to scale, a view's figures as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from rich.style import Style
from textual.strip import Strip

from leanmix.drawing import font_file, to_png, to_svg
from leanmix.errors import LeanmixError
from leanmix.machine import save_text
from leanmix.screens.above import above_sketch, above_window
from leanmix.screens.boxes import AskBox, ListBox, Row
from leanmix.screens.front import front_sketch, front_window
from leanmix.screens.sheet import Sheet

if TYPE_CHECKING:
    from leanmix.screens.app import Screens

__all__ = ["Cell", "cells_of", "figures_csv", "offer_pictures", "screen_png", "screen_svg", "screen_text"]

CELL_W, CELL_H = 8, 16
WIDTH_MM = 180.0


@dataclass(frozen=True, slots=True)
class Cell:
    """A run of characters of one look."""

    column: int
    text: str
    fore: tuple[int, int, int]
    back: tuple[int, int, int]
    bold: bool
    underline: bool


def cells_of(strips: Sequence[Strip], fore: tuple[int, int, int], back: tuple[int, int, int]) -> list[list[Cell]]:
    """Runs of each row, with every colour said outright.

    Parameters
    ----------
    strips : sequence of Strip
        Rows as shown.
    fore, back : tuple of int
        What stands for the terminal's own colours.
    """
    rows = []
    for strip in strips:
        row: list[Cell] = []
        column = 0
        for segment in strip:
            style = segment.style or Style.null()
            f = _rgb(style.color, fore)
            b = _rgb(style.bgcolor, back)
            if style.dim:
                f = tuple((2 * x + y) // 3 for x, y in zip(f, b, strict=True))  # type: ignore[assignment]
            if style.reverse:
                f, b = b, f
            row.append(Cell(column, segment.text, f, b, bool(style.bold), bool(style.underline)))
            column += segment.cell_length
        rows.append(row)
    return rows


def _rgb(color: object, otherwise: tuple[int, int, int]) -> tuple[int, int, int]:
    from rich.color import Color

    if not isinstance(color, Color) or color.is_default:
        return otherwise
    return tuple(color.get_truecolor())  # type: ignore[return-value]


def _dots(character: str) -> list[tuple[float, float]]:
    """Places of a braille character's dots within its cell, 0 … 1."""
    bits = ord(character) - 0x2800
    order = (
        (0, 0, 0x01),
        (0, 1, 0x02),
        (0, 2, 0x04),
        (1, 0, 0x08),
        (1, 1, 0x10),
        (1, 2, 0x20),
        (0, 3, 0x40),
        (1, 3, 0x80),
    )
    return [((c + 0.5) / 2, (r + 0.5) / 4) for c, r, bit in order if bits & bit]


def _is_braille(character: str) -> bool:
    return "\u2800" <= character <= "\u28ff"


def screen_svg(rows: list[list[Cell]], columns: int, title: str) -> str:
    """What is seen as SVG: writing as text, braille as dots, so that no font is needed for it."""
    width, height = columns * CELL_W, len(rows) * CELL_H
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}">',
        f"<title>{escape(title)}</title>",
        '<g font-family="monospace" font-size="13" xml:space="preserve">',
    ]
    for r, row in enumerate(rows):
        for cell in row:
            x, y = cell.column * CELL_W, r * CELL_H
            out.append(
                f'<rect x="{x}" y="{y}" width="{len(cell.text) * CELL_W + 1}" height="{CELL_H + 1}" fill="{_hex(cell.back)}"/>'
            )
    for r, row in enumerate(rows):
        for cell in row:
            out += _svg_run(cell, r)
    return "\n".join([*out, "</g></svg>", ""])


def _svg_run(cell: Cell, row: int) -> list[str]:
    colour = _hex(cell.fore)
    out = []
    plain = "".join(" " if _is_braille(c) else c for c in cell.text)
    x, y = cell.column * CELL_W, row * CELL_H
    if plain.strip():
        lead = len(plain) - len(plain.lstrip())
        text = plain.strip()
        look = ' font-weight="bold"' * cell.bold + ' text-decoration="underline"' * cell.underline
        out.append(
            f'<text x="{x + lead * CELL_W}" y="{y + 12}" fill="{colour}" textLength="{len(text) * CELL_W}"{look}>{escape(text)}</text>'
        )
    for i, character in enumerate(cell.text):
        if _is_braille(character):
            for a, b in _dots(character):
                cx, cy = x + (i + a) * CELL_W, y + b * CELL_H
                out.append(f'<circle cx="{cx:g}" cy="{cy:g}" r="1.3" fill="{colour}"/>')
    return out


def screen_png(rows: list[list[Cell]], columns: int, scale: int = 2) -> bytes:
    """What is seen as PNG."""
    from PIL import Image, ImageDraw, ImageFont

    w, h = CELL_W * scale, CELL_H * scale
    image = Image.new("RGB", (columns * w, len(rows) * h))
    draw = ImageDraw.Draw(image)
    faces = [ImageFont.truetype(str(_mono(bold)), int(12.5 * scale)) for bold in (False, True)]
    for r, row in enumerate(rows):
        for cell in row:
            for i, character in enumerate(cell.text):
                x, y = (cell.column + i) * w, r * h
                draw.rectangle((x, y, x + w, y + h), fill=cell.back)
                if _is_braille(character):
                    for a, b in _dots(character):
                        cx, cy, size = x + a * w, y + b * h, 1.3 * scale
                        draw.ellipse((cx - size, cy - size, cx + size, cy + size), fill=cell.fore)
                elif character in _BOX:
                    _box(draw, character, x, y, w, h, cell.fore, scale)
                elif character.strip():
                    draw.text((x + w / 2, y + 0.8 * h), character, fill=cell.fore, font=faces[cell.bold], anchor="ms")
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


_BOX = {
    "─": "lr",
    "│": "ud",
    "┼": "lrud",
    "├": "udr",
    "┤": "udl",
    "╭": "rd",
    "╮": "ld",
    "╰": "ru",
    "╯": "lu",
    "━": "lr",
}


def _box(draw: object, character: str, x: float, y: float, w: float, h: float, fore: object, scale: int) -> None:
    cx, cy = x + w / 2, y + h / 2
    ends = {"l": (x, cy), "r": (x + w, cy), "u": (cx, y), "d": (cx, y + h)}
    for end in _BOX[character]:
        draw.line((cx, cy, *ends[end]), fill=fore, width=scale * (3 if character == "━" else 1))  # type: ignore[attr-defined]


def _mono(bold: bool) -> Path:
    return font_file(bold=bold)


def _hex(rgb: tuple[int, int, int]) -> str:
    return "#{:02x}{:02x}{:02x}".format(*rgb)


def screen_text(rows: list[list[Cell]]) -> str:
    """What is seen as text."""
    return "\n".join("".join(c.text for c in row).rstrip() for row in rows) + "\n"


def figures_csv(rows: list[list[str]]) -> str:
    """Rows as CSV."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def _seen(app: Screens) -> tuple[list[list[Cell]], int]:
    for sheet in app.screen_stack[0].query(Sheet):
        if sheet.display:
            sheet.catch_up()
    strips = app.screen_stack[0]._compositor.render_strips()
    look = app.current_theme
    ansi = look.ansi if hasattr(look, "ansi") else False
    fore = (0, 0, 0) if ansi else _from_hex(look.foreground, (220, 220, 220))
    back = (255, 255, 255) if ansi else _from_hex(look.background, (0, 0, 0))
    return cells_of(strips, fore, back), app.size.width


def _from_hex(text: str | None, otherwise: tuple[int, int, int]) -> tuple[int, int, int]:
    if text is None or not text.startswith("#") or len(text) != 7:
        return otherwise
    return int(text[1:3], 16), int(text[3:5], 16), int(text[5:7], 16)


def _content(app: Screens, what: str) -> bytes:
    kind, _, form = what.partition(".")
    if kind == "screen":
        rows, columns = _seen(app)
        if form == "svg":
            return screen_svg(rows, columns, f"leanmix: {app.store.good.machine.name}").encode()
        return screen_png(rows, columns) if form == "png" else screen_text(rows).encode()
    if kind == "view":
        return figures_csv(app.view.figures_out()).encode()
    if app.shown is None or app.now is None:
        return b""
    name = app.store.good.machine.name
    if kind == "front":
        drawing = front_sketch(app.shown, app.now).drawing(front_window(app.shown), WIDTH_MM, f"{name} from behind")
    else:
        drawing = above_sketch(app.shown, app.now).drawing(above_window(app.shown), WIDTH_MM, f"{name} from above")
    return to_svg(drawing).encode() if form == "svg" else to_png(drawing)


def offer_pictures(app: Screens) -> None:
    """Ask what to take out and where to."""
    rows = [
        Row("screen.svg", "What is on the screen, as SVG"),
        Row("screen.png", "What is on the screen, as PNG"),
        Row("screen.txt", "What is on the screen, as text"),
        Row("front.svg", "The machine from behind to scale, as SVG"),
        Row("front.png", "The machine from behind to scale, as PNG"),
        Row("above.svg", "The machine from above to scale, as SVG"),
        Row("above.png", "The machine from above to scale, as PNG"),
    ]
    if app.view.figures_out():
        rows.insert(0, Row("view.csv", "This view's figures, as CSV"))

    def chosen(what: str | None) -> None:
        if what is not None:
            _where(app, what)

    app.ask(ListBox("Picture or figures out", rows), chosen)


def _where(app: Screens, what: str) -> None:
    content = _content(app, what)
    kind, _, form = what.partition(".")
    stem = app.store.good.machine.name.lower().replace(" ", "-")
    name = f"{stem}-{app.view_name if kind in ('screen', 'view') else kind}.{form}"
    rows = [Row("file", f"Save to a file ({name})")]
    if form != "png":
        rows.append(Row("copy", "Copy to the clipboard (the terminal must allow it)"))

    def chosen(answer: str | None) -> None:
        if answer == "copy":
            app.copy_to_clipboard(content.decode())
            app.say("Handed to the terminal's clipboard; if it is not there, save to a file instead.")
        elif answer == "file":
            app.ask(AskBox("Save to a file", "File to write:", name), lambda typed: _saved(app, content, typed))

    app.ask(ListBox("Where to", rows), chosen)


def _saved(app: Screens, content: bytes, typed: str | None) -> None:
    if not typed or not typed.strip():
        return
    path = Path(typed.strip()).expanduser()
    if path.exists():
        app.say(f"✕ {path} is there already: choose another name.", "bad")
        return
    try:
        save_text(path, content)
    except LeanmixError as error:
        app.say_error(error)
        return
    app.say(f"Wrote {path}.", "good")
