"""`leanmix map`: the fastest pass over any two numbers."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from leanmix.commands._common import console, emit_json, json_option, load, machine_argument, talk
from leanmix.commands._completion import MANOEUVRE

if TYPE_CHECKING:
    from leanmix.drawing import Drawing
    from leanmix.response import Cell, MapPlan

    Cells = Mapping[tuple[int, int], Cell]

_WHY = {
    "tipped": "t",
    "off_the_lane": "w",
    "stopped": "s",
    "finished": "+",
    "lost": "?",
    "cut_short": "?",
    "cannot_be_built": "",
}
_KEY = "t: tips just above that speed; w: goes wide; s: cannot keep going; +: nothing ends it; –: cannot be built"
MOST_COLUMNS = 14


def _text(cell: Cell | None) -> str:
    if cell is None:
        return "·"
    return "–" if cell.speed_m_per_s < 0 else f"{cell.speed_m_per_s:.2f}{_WHY.get(cell.ends, '?')}"


def _show(plan: MapPlan, cells: Cells) -> None:
    from rich.table import Table

    out = console()
    lean = "" if plan.lean else ", without lean"
    out.print(
        f"{plan.base.machine.name}, {plan.manoeuvre.name}, grip {plan.grip:g}{lean}: fastest pass [m/s]",
        markup=False,
        style="bold",
    )
    across = plan.across.values
    step = -(-len(across) // MOST_COLUMNS)
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column(f"{plan.up.key} ↓  {plan.across.key} →", justify="right")
    for c in range(0, len(across), step):
        table.add_column(f"{across[c]:g}", justify="right")
    for r in reversed(range(len(plan.up.values))):
        table.add_row(f"{plan.up.values[r]:g}", *(_text(cells.get((r, c))) for c in range(0, len(across), step)))
    out.print(table)
    if step > 1:
        out.print(f"Every {step}th column; all are in --json and --out.", markup=False)
    out.print(_KEY, markup=False)
    if len(cells) < plan.cells:
        out.print(f"{len(cells)} of {plan.cells} cells; run it again with the same --out to go on.", markup=False)


def _drawing(plan: MapPlan, cells: Cells) -> Drawing:
    """Cells as greys, dark is slow, with their numbers where there is room."""
    from leanmix.drawing import Drawing, Pen, Polygon, Shape, Text

    columns, rows = len(plan.across.values), len(plan.up.values)
    wide, high = 180.0, 140.0
    x0, y0, w, h = 22.0, 18.0, (wide - 28.0) / columns, (high - 32.0) / rows
    speeds = [c.speed_m_per_s for c in cells.values() if c.speed_m_per_s >= 0] or [0.0]
    low, span = min(speeds), (max(speeds) - min(speeds)) or 1.0
    shapes: list[Shape] = []
    for (r, c), cell in cells.items():
        x, y = x0 + c * w, y0 + r * h
        grey = 1.0 if cell.speed_m_per_s < 0 else 0.45 + 0.5 * (cell.speed_m_per_s - low) / span
        shapes.append(Polygon(((x, y), (x + w, y), (x + w, y + h), (x, y + h)), Pen(0.1, 0.3), grey))
        if w > 9 and h > 4:
            shapes.append(Text((x + w / 2, y + h / 2 - 1), _text(cell), 2.4, "middle"))
    every = max(1, columns // 12)
    for c in range(0, columns, every):
        shapes.append(Text((x0 + (c + 0.5) * w, y0 - 4), f"{plan.across.values[c]:g}", 2.4, "middle"))
    for r in range(0, rows, max(1, rows // 16)):
        shapes.append(Text((x0 - 2, y0 + (r + 0.5) * h - 1), f"{plan.up.values[r]:g}", 2.4, "end"))
    title = f"{plan.base.machine.name}, {plan.manoeuvre.name}: fastest pass [m/s], grip {plan.grip:g}"
    shapes += [
        Text((wide / 2, 6), plan.across.key, 2.8, "middle"),
        Text((4, high / 2), plan.up.key, 2.8, "middle", 90.0),
        Text((5, high - 8), title, 3.4, bold=True),
        Text((5, 1.5), _KEY, 2.0),
    ]
    return Drawing(wide, high, tuple(shapes), title)


@click.command("map")
@machine_argument
@click.argument("manoeuvre", metavar="MANOEUVRE", type=MANOEUVRE)
@click.option("--across", required=True, metavar="AXIS", help="KEY=FROM:TO:COUNT or KEY=A,B,C.")
@click.option("--up", required=True, metavar="AXIS", help="The same for the other way.")
@click.option("--surface", metavar="NAME", help="One of the machine file's surfaces, at its best guess.")
@click.option("--grip", type=click.FloatRange(0.02, 3), help="Grip instead of a surface's.")
@click.option("--no-lean", is_flag=True, help="Without lean.")
@click.option("-o", "--out", metavar="FILE.csv", help="Keep the cells there as they come, and go on from there.")
@click.option("--picture", metavar="FILE", help="Write the map: name it .png or .svg.")
@click.option("--force", is_flag=True, help="Begin anew, writing over what is there.")
@json_option
def command(
    file: str,
    manoeuvre: str,
    across: str,
    up: str,
    surface: str | None,
    grip: float | None,
    no_lean: bool,
    out: str | None,
    picture: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Map the fastest pass through MANOEUVRE over two numbers.

    \b
    An axis's KEY is one of
      ratio               degrees of lean asked for each degree of steer
      slew_us_per_frame   the board's slew limit
      grip                of the ground
      radius_m            of every bend of the manoeuvre
      manoeuvre:KEY       any number of the manoeuvre file
      KEY                 any number of the machine file, e.g. side.shock.rate_N_per_mm

    A machine whose file is changed keeps its caps: check its stops before building it. Stop with Ctrl-C; with --out
    the next run goes on where this one ended.

    Example: leanmix map demo:tarn circle --across radius_m=1.5:5:8 --up ratio=0:0.5:6 --out circle.csv
    """
    from leanmix.commands._drive_shown import bar
    from leanmix.job import work_out
    from leanmix.machine import save_text
    from leanmix.response import MapPlan, base_of, grip_range, load_manoeuvre, map_csv, parse_axis, read_map, run_map

    if picture is not None and Path(picture).suffix.lower() not in (".png", ".svg"):
        raise click.UsageError(f"{picture}: end the name in .png or .svg.")
    source = load(file)
    asked = load_manoeuvre(manoeuvre)
    ground = grip if grip is not None else grip_range(source.machine, asked, surface).at
    plan = MapPlan(
        base_of(work_out(source)), asked, parse_axis(across), parse_axis(up), round(ground, 6), lean=not no_lean
    )
    known = {} if out is None or force else read_map(out, plan)
    if known:
        talk(f"{out}: goes on from {len(known)} of {plan.cells} cells.")
    held: dict[tuple[int, int], Cell] = dict(known)

    def keep(cells: Cells) -> None:
        held.update(cells)
        if out is not None:
            save_text(out, map_csv(plan, cells))

    stopped = False
    try:
        with bar("cells") as tell:
            run_map(plan, known, keep, progress=tell)
    except KeyboardInterrupt:
        stopped = True
    if picture is not None and held:
        from leanmix.commands._common import save_out
        from leanmix.drawing import to_png, to_svg

        drawing = _drawing(plan, held)
        save_out(picture, to_png(drawing, 150) if picture.lower().endswith(".png") else to_svg(drawing), force=force)
    if as_json:
        emit_json(
            "map",
            {
                "manoeuvre": asked.name,
                "grip": plan.grip,
                "lean": plan.lean,
                "across": {"key": plan.across.key, "values": plan.across.values},
                "up": {"key": plan.up.key, "values": plan.up.values},
                "complete": len(held) == plan.cells,
                "cells": [
                    {"row": r, "column": c, "fastest_m_per_s": v.speed_m_per_s, "ends": v.ends}
                    for (r, c), v in sorted(held.items())
                ],
            },
            source,
        )
    else:
        _show(plan, held)
    if stopped:
        raise click.Abort
