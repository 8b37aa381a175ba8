"""`leanmix suggest`: the lean ratio and slew that get the machine through manoeuvres fastest."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from leanmix.commands._common import console, emit_json, json_option, load, machine_argument
from leanmix.commands._completion import MANOEUVRE
from leanmix.words import signed

if TYPE_CHECKING:
    from leanmix.response import Suggestion

SHOWN = 6


def _show(name: str, found: Suggestion, grips: list[float]) -> None:
    from rich.table import Table

    from leanmix.commands._drive_shown import MODEL_NOTE

    out = console()
    what = ", ".join(f"{m} (grip {g:g})" for m, g in zip(found.manoeuvres, grips, strict=True))
    out.print(f"{name}: fastest passes through {what}", markup=False, style="bold")
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("")
    for title in ("lean per steer", "slew µs/frame", "arm °"):
        table.add_column(title, justify="right")
    for m in found.manoeuvres:
        table.add_column(f"{m} m/s", justify="right")
    table.add_column("against no lean", justify="right")
    others = [c for c in found.tried if c is not found.best][:SHOWN]
    rows = [("no lean", found.without_lean), ("your curve", found.own), ("suggested", found.best)]
    rows += [("also tried", c) for c in others]
    for title, c in rows:
        table.add_row(
            title,
            f"{c.ratio:.3g}",
            f"{c.slew_us_per_frame:g}",
            f"{c.arm_deg:.1f}",
            *(f"{v:.2f}" for v in c.fastest_m_per_s),
            f"{signed(100 * (c.score - 1), 1)} %",
            style="bold" if title == "suggested" else None,
        )
    out.print(table)
    if found.gains_nothing:
        out.print(
            "No curve tried beats driving without lean: here the model says that lean does not help.", markup=False
        )
    else:
        out.print(
            "To try it, put into the machine file in place of what stands there, then run curve again:", markup=False
        )
        out.print(f"  [lean] left_ratio = {found.best.ratio:g}, right_ratio = {found.best.ratio:g}", markup=False)
        out.print(f"  [board] slew_us_per_frame = {found.best.slew_us_per_frame:g}", markup=False)
    out.print(f"note  {MODEL_NOTE}", markup=False)


@click.command("suggest")
@machine_argument
@click.option(
    "--for",
    "manoeuvres",
    multiple=True,
    metavar="MANOEUVRE",
    type=MANOEUVRE,
    help="What it is to be good at; may be repeated. Without it: flick and circle.",
)
@click.option("--surface", metavar="NAME", help="One of the machine file's surfaces, at its best guess.")
@click.option("--grip", type=click.FloatRange(0.02, 3), help="Grip instead of a surface's.")
@click.option("--most", type=click.FloatRange(0.01, 10), metavar="RATIO", help="Largest lean per steer to try.")
@json_option
def command(
    file: str, manoeuvres: tuple[str, ...], surface: str | None, grip: float | None, most: float | None, as_json: bool
) -> None:
    """Suggest how much lean for how much steer, and how fast, within the caps and the servo.

    Example: leanmix suggest demo:tarn --for flick --grip 0.8
    """
    from leanmix.commands._drive_shown import bar
    from leanmix.job import work_out
    from leanmix.response import base_of, grip_range, load_manoeuvre, suggest_curve

    source = load(file)
    asked = [load_manoeuvre(m) for m in (manoeuvres or ("flick", "circle"))]
    grips = [grip if grip is not None else grip_range(source.machine, m, surface).at for m in asked]
    with bar("runs") as tell:
        found = suggest_curve(base_of(work_out(source)), asked, grips, most_ratio=most, progress=tell)
    if as_json:
        emit_json("suggest", {"grips": grips, **{k: getattr(found, k) for k in found.__slots__}}, source)
        return
    _show(source.machine.name, found, grips)
