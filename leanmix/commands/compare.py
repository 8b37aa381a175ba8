"""`leanmix compare`: two machine files side by side, each change alone and all together."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import click

from leanmix.commands._common import console, emit_json, json_option, load
from leanmix.commands._completion import MACHINE

if TYPE_CHECKING:
    from leanmix.comparing import Case, Comparison


@click.command("compare")
@click.argument("first", metavar="FILE", type=MACHINE)
@click.argument("second", metavar="OTHER_FILE", type=MACHINE)
@json_option
def command(first: str, second: str, as_json: bool) -> None:
    """Hold OTHER_FILE against FILE: tipping, lean, first stop, torque and ride height, each change alone and together.

    Example: leanmix compare demo:moss demo:tarn
    """
    from leanmix.comparing import compare_files

    was = load(first)
    found = compare_files(was, load(second))
    if as_json:
        emit_json("compare", {"comparison": found, "other_file": second}, was)
        return
    _show(found)


def _figure(value: float, form: str, unit: str) -> str:
    if math.isinf(value):
        return "none"
    return "–" if math.isnan(value) else format(value, form) + unit


def _row(case: Case) -> tuple[str, ...]:
    return (
        case.what,
        _figure(case.tip_upright_g, ".3f", " g"),
        _figure(case.tip_leaning_g, ".3f", " g"),
        _figure(case.lean_deg, ".2f", f"° at {case.throw_deg:.1f}°"),
        _figure(case.first_block_deg, ".1f", "°"),
        _figure(case.torque_N_mm, ".0f", " N mm"),
        _figure(round(case.ride_mm, 2) + 0.0, "+.2f", " mm"),
    )


def _show(found: Comparison) -> None:
    from rich.table import Table

    out = console()
    table = Table(box=None, pad_edge=False, header_style="bold")
    heads = ("left turn", "tips upright", "tips leaning in", "lean at arm", "first block", "torque", "ride height")
    for i, head in enumerate(heads):
        table.add_column(head, justify="right" if i else "left", overflow="fold")
    table.add_row(*_row(found.before))
    for case in found.alone:
        table.add_row("  " + _row(case)[0], *_row(case)[1:])
    table.add_row(*_row(found.after))
    out.print(table)
    out.print("Indented: the first file with that change alone, at the first file's arm angle.", markup=False)
    for note in found.notes:
        out.print(f"note  {note}", markup=False)
    if not found.differences and not found.notes:
        out.print("The two files hold the same numbers.", markup=False)
