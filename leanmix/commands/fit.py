"""`leanmix fit`: what another arm and another link would give, side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, headed, json_option, load, machine_argument, save_out
from leanmix.words import signed

if TYPE_CHECKING:
    from leanmix.machine import Machine
    from leanmix.stops import ArmChoices

ROWS_MAX = 18
CHART_MM = (170.0, 110.0)
CHART_CELLS = (72, 16)
LINES_MAX = 4


def _range(text: str | None, what: str) -> Any:
    """LOW:HIGH:STEP, or lengths with commas between [mm]."""
    import numpy as np

    if text is None:
        return None
    try:
        if ":" in text:
            low, high, step = (float(v) for v in text.split(":"))
            if not (0 < low <= high and step > 0):
                raise ValueError
            found = np.arange(low, high + step / 2, step)
        else:
            found = np.array([float(v) for v in text.split(",")])
    except ValueError:
        found = np.zeros(1)
    if found.size > 2000 or not np.all(np.isfinite(found) & (found > 0)):
        raise click.UsageError(f"{what} {text}: write LOW:HIGH:STEP, or lengths with commas between, in mm above 0.")
    return found


def _double(machine: Machine) -> bool:
    return machine.servo.arrangement == "double_arm"


def _rows(choices: ArmChoices, everything: bool) -> list[int]:
    """Candidates to list: those worth a look, thinned out, with the present one among them."""
    count = len(choices.radius_mm)
    worth = [i for i in range(count) if everything or choices.kept[i]]
    step = 1 if everything else -(-len(worth) // ROWS_MAX) or 1
    return sorted({*worth[::step], *worth[-1:], choices.now})


def _payload(machine: Machine, choices: ArmChoices) -> dict[str, Any]:
    return {"arm_is": "half of ball to ball" if _double(machine) else "axis to ball", "candidates": choices}


@click.command("fit")
@machine_argument
@click.option(
    "--arms", metavar="LOW:HIGH:STEP", help="Arms to try [mm]: ball to ball of a double arm, else axis to ball."
)
@click.option(
    "--links",
    metavar="A,B,...",
    help="Links in stock [mm], ball to ball. Without it each arm gets the link that suits.",
)
@click.option("--axis-move", type=click.FloatRange(0, 100), default=0.0, show_default=True,
              help="With --links and a double arm: how far the servo may move up or down [mm].")  # fmt: skip
@click.option("--off-guide", type=click.FloatRange(1, 89), default=30.0, show_default=True,
              help="Greatest angle of a link off its guide [deg].")  # fmt: skip
@click.option("--share", type=click.FloatRange(0, 1), default=None,
              help="Least share of a push that comes out along the guide; the file's jam_margin without it.")  # fmt: skip
@click.option("--all", "everything", is_flag=True, help="List every candidate, with what speaks against it.")
@click.option("-o", "--out", metavar="FILE", help="Write the trade-off as a picture, .svg or .png.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
@json_option
def command(
    file: str,
    arms: str | None,
    links: str | None,
    axis_move: float,
    off_guide: float,
    share: float | None,
    everything: bool,
    out: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Trade arm and link: more lean against more side load, torque and crooked links. The choice is yours.

    Example: leanmix fit demo:moss
    """
    from leanmix.stops import ArmLimits, find_arms

    source = load(file)
    machine = source.machine
    radii = _range(arms, "--arms")
    choices = find_arms(
        machine,
        radii if radii is None or not _double(machine) else radii / 2,
        _range(links, "--links"),
        ArmLimits(off_guide_deg=off_guide, push_share=share, axis_move_mm=axis_move),
    )
    if out is not None:
        _picture(machine, choices, out, force, by_link=links is not None)
    if as_json:
        emit_json("fit", _payload(machine, choices), source)
        return
    _table(machine, choices, everything)


def _table(machine: Machine, choices: ArmChoices, everything: bool) -> None:
    from rich.table import Table

    screen = console()
    double = _double(machine)
    screen.print(headed(machine.name, ": other arms and links, at the high end of friction\n"))
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 1, 0, 0))
    heads = ["", "arm\nmm", "link\nmm", "rod\nmm"]
    heads += ["servo\nup mm"] if double else ["rest\n°", "teeth\n", "trim\n°"]
    heads += ["throw\n°", "lean\n°", "mount\nmm", "off\n°", "out\n%", "side\nN", "torque\n%"]
    for head in heads:
        table.add_column(head, justify="left" if head == "" else "right", no_wrap=True)
    table.add_column("")
    for i in _rows(choices, everything):
        c = choices
        cells = [
            "now" if i == c.now else "",
            f"{c.radius_mm[i] * (2 if double else 1):.1f}",
            f"{c.link_mm[i]:.1f}",
            f"{c.rod_mm[i]:.1f}",
            *(
                [f"{c.axis_up_mm[i]:.1f}"]
                if double
                else [signed(c.rest_deg[i], 1), signed(c.teeth[i], 0), signed(c.trim_deg[i], 1)]
            ),
            f"{min(c.usable_left_deg[i], c.usable_right_deg[i]):.1f}",
            f"{min(c.lean_left_deg[i], c.lean_right_deg[i]):.2f}",
            f"{c.travel_up_mm[i]:.1f}/{c.travel_down_mm[i]:.1f}",
            f"{c.off_guide_deg[i]:.0f}",
            f"{100 * c.push_share[i]:.0f}",
            f"{c.side_load_N[i]:.1f}",
            f"{100 * c.torque_share[i]:.0f}",
            c.why_not[i],
        ]
        table.add_row(*cells)
    screen.print(table)
    arm = "ball to ball" if double else "axis to ball"
    screen.print(
        f"\nnow: the nearest to what the file holds. arm: {arm}. throw, lean: the lesser of the two ways, up to the first block less the margin. mount: up/down. "
        "off: link off its guide at the worst. out: share of a push that comes out along the guide at the least. side: "
        "load of a mount on its guide. torque: of what is allowed, battery cold. Listed: what no other beats in lean and side load at once"
        f"{'' if everything else ', thinned out'}.",
        markup=False,
    )
    kept = int(choices.kept.sum())
    if kept >= 3:
        screen.print()
        for line in _scatter(choices):
            screen.print(line, markup=False)
    elif kept == 0:
        screen.print("None keeps to the limits; --all says what speaks against each.", markup=False)


def _lesser(choices: ArmChoices) -> Any:
    import numpy as np

    return np.minimum(choices.lean_left_deg, choices.lean_right_deg)


def _scatter(choices: ArmChoices) -> list[str]:
    """Lean over side load in dots for the terminal; the present arm as a cross."""
    import numpy as np

    from leanmix.drawing import Raster

    columns, rows = CHART_CELLS
    shown = choices.kept | (np.arange(choices.kept.size) == choices.now)
    shown &= np.isfinite(choices.side_load_N)
    x, y = choices.side_load_N[shown], _lesser(choices)[shown]
    raster = Raster(columns, rows)
    low, high = np.array([x.min(), y.min()]), np.array([x.max(), y.max()])
    span = np.where(high > low, high - low, 1.0)
    right = (x - low[0]) / span[0] * (2 * columns - 3) + 1
    down = (4 * rows - 2) - (y - low[1]) / span[1] * (4 * rows - 3)
    raster.points(right, down)
    lines = raster.lines()
    at = np.flatnonzero(np.flatnonzero(shown) == choices.now)
    if at.size:
        column, row = int(right[at[0]] // 2), int(down[at[0]] // 4)
        lines[row] = lines[row][:column] + "×" + lines[row][column + 1 :]
    margin = max(len(f"{v:.2f}") for v in (low[1], high[1]))
    out = ["lean °"]
    for i, line in enumerate(lines):
        mark = f"{high[1]:.2f}" if i == 0 else f"{low[1]:.2f}" if i == rows - 1 else ""
        out.append(f"{mark:>{margin}} │{line.rstrip()}")
    out.append(" " * margin + " └" + "─" * columns)
    foot = f"{low[0]:.1f}"
    out.append(" " * (margin + 2) + foot + f"{high[0]:.1f} N side load".rjust(columns - len(foot)))
    return [*out, "× now"]


def _picture(machine: Machine, choices: ArmChoices, out: str, force: bool, *, by_link: bool) -> None:
    import numpy as np

    from leanmix.drawing import Drawing, Series, chart, to_png, to_svg

    suffix = Path(out).suffix.lower()
    if suffix not in (".svg", ".png"):
        raise click.UsageError(f"{out}: end the name in .svg or .png.")
    scale = 2 if _double(machine) else 1
    lean, arm = _lesser(choices), scale * choices.radius_mm

    def line(name: str, here: Any, values: Any) -> Series:
        return Series(name, list(arm[here]), list(values[here]))

    if by_link:
        links, counts = np.unique(np.round(choices.link_mm[choices.ok], 2), return_counts=True)
        most = sorted(links[np.argsort(-counts)[:LINES_MAX]])
        series = [line(f"{v:g} mm links", choices.ok & (np.round(choices.link_mm, 2) == v), lean) for v in most]
        title = "lean, lesser way [°]"
    else:
        series = [
            line("lean, lesser way [°]", choices.ok, lean),
            line("side load [N]", choices.ok, choices.side_load_N),
        ]
        title = "lean [°], side load [N]"
    if not choices.ok.any():
        raise click.UsageError("None of these keeps to the limits, so there is nothing to draw; see --all.")
    width, height = CHART_MM
    shapes = chart(series, width, height, "arm [mm]", title)
    drawing = Drawing(width, height, tuple(shapes), f"{machine.name}: arms and links")
    save_out(out, to_svg(drawing) if suffix == ".svg" else to_png(drawing), force=force)
