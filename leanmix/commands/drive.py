"""`leanmix drive`: a manoeuvre in time, with lean, without, and against another machine."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, json_option, load, machine_argument, save_out, talk
from leanmix.commands._completion import MACHINE, MANOEUVRE

if TYPE_CHECKING:
    from leanmix.machine import MachineFile
    from leanmix.response import Contender, DriveReport, GripRange, Manoeuvre


def _contenders(
    source: MachineFile, against: str | None, manoeuvre: Manoeuvre, surface: str | None, grip: float | None, cold: bool
) -> tuple[list[Contender], list[GripRange]]:
    from leanmix.job import work_out
    from leanmix.response import GripRange, contender, grip_range

    contenders: list[Contender] = []
    grounds: list[GripRange] = []
    for i, one in enumerate([source] if against is None else [source, load(against)]):
        job = work_out(one)
        own = contender(job, cold=cold)
        # the other machine is driven on the same ground, by its range of grip
        ground = grounds[0] if i else grip_range(job.machine, manoeuvre, surface)
        if grip is not None:
            ground = GripRange(grip, grip, grip, "as asked")
        contenders += [own, replace(own, name=f"{own.name} without lean", amount_256ths=0)]
        grounds += [ground, ground]
    return contenders, grounds


def _payload(report: DriveReport) -> dict[str, Any]:
    m = report.manoeuvre
    return {
        "manoeuvre": {"name": m.name, "about": m.about.strip(), "report": m.report},
        "speed_m_per_s": report.speed_m_per_s,
        "grip": {
            "low": report.ground.low,
            "at": report.ground.at,
            "high": report.ground.high,
            "of": report.ground.name,
        },
        "rows": report.rows,
    }


def _show(report: DriveReport, plot: bool) -> None:
    from rich.table import Table

    from leanmix.commands._drive_shown import MODEL_NOTE, drive_rows, strips

    out = console()
    g = report.ground
    span = f"{g.at:g}" if g.low == g.high else f"{g.low:g} | {g.at:g} | {g.high:g}"
    out.print(
        f"{report.manoeuvre.name}, {report.speed_m_per_s:g} m/s, grip {span} ({g.name})", markup=False, style="bold"
    )
    out.print(report.manoeuvre.about.strip().replace("\n", " "), markup=False)
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("")
    for row in report.rows:
        table.add_column(row.name)
    for title, texts in drive_rows(report):
        table.add_row(title, *texts)
    out.print(table)
    if g.low != g.high:
        out.print("Where three are given: low grip | best guess | high grip.", markup=False)
    if plot:
        for line in strips(report, out.width):
            out.print(line, markup=False, highlight=False, no_wrap=True, overflow="crop")
    out.print(f"note  {MODEL_NOTE}", markup=False)


@click.command("drive")
@machine_argument
@click.argument("manoeuvre", metavar="MANOEUVRE", type=MANOEUVRE)
@click.option("--against", metavar="FILE", type=MACHINE, help="Another machine file to drive beside it.")
@click.option("--surface", metavar="NAME", help="One of the machine file's surfaces.")
@click.option("--grip", type=click.FloatRange(0.02, 3), help="One grip instead of a surface's range.")
@click.option("--speed", type=click.FloatRange(0, 40), metavar="M_PER_S", help="Speed instead of the manoeuvre's.")
@click.option("--cold", is_flag=True, help="Servo at the voltage of a cold battery.")
@click.option("--no-fastest", is_flag=True, help="Leave out the search for the fastest pass.")
@click.option("--plot/--no-plot", default=None, help="Strips in the terminal; shown on a terminal unless told not to.")
@click.option("--csv", "csv_out", metavar="FILE", help="Write the traces.")
@click.option("--picture", metavar="FILE", help="Write the strips: name it .png or .svg.")
@click.option("--force", is_flag=True, help="Write over files that are there already.")
@json_option
def command(
    file: str,
    manoeuvre: str,
    against: str | None,
    surface: str | None,
    grip: float | None,
    speed: float | None,
    cold: bool,
    no_fastest: bool,
    plot: bool | None,
    csv_out: str | None,
    picture: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Drive FILE through MANOEUVRE: how late it leans, what its runners carry, whether and when it tips.

    MANOEUVRE is a file, or one of step, flick, slalom, spiral, circle, bank, parked.

    Example: leanmix drive demo:tarn flick
    """
    from leanmix.commands._drive_shown import bar, drive_drawing, traces_csv
    from leanmix.response import load_manoeuvre, report_drive

    if picture is not None and Path(picture).suffix.lower() not in (".png", ".svg"):
        raise click.UsageError(f"{picture}: end the name in .png or .svg.")
    source = load(file)
    asked = load_manoeuvre(manoeuvre)
    if speed == 0 and asked.path:
        raise click.UsageError("0 m/s never gets along a path.")
    contenders, grounds = _contenders(source, against, asked, surface, grip, cold)
    with bar("driving") as tell:
        report = report_drive(contenders, asked, grounds, speed_m_per_s=speed, fastest=not no_fastest, progress=tell)
    if csv_out is not None:
        save_out(csv_out, traces_csv(report), force=force)
    if picture is not None:
        from leanmix.drawing import to_png, to_svg

        drawing = drive_drawing(report)
        data = to_png(drawing, 150) if picture.lower().endswith(".png") else to_svg(drawing)
        save_out(picture, data, force=force)
    if as_json:
        emit_json("drive", _payload(report), source)
        return
    _show(report, console().is_terminal if plot is None else plot)
    if csv_out is None and picture is None:
        talk("Add --csv FILE for the traces, --picture FILE.png for the strips.")
