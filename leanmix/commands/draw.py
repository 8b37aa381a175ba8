"""`leanmix draw`: one drawing of the machine or of a part, for pictures and for CAD."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from leanmix.commands._common import load, machine_argument, save_out

if TYPE_CHECKING:
    from leanmix.job import Job
    from leanmix.paper import Pose


def _pose(job: Job, at: str) -> Pose:
    from leanmix.paper import pose_at

    if at in ("left", "right"):
        throw = job.caps.left.throw_deg if at == "left" else -job.caps.right.throw_deg
    elif at == "neutral":
        throw = 0.0
    else:
        try:
            throw = float(at)
        except ValueError:
            throw = float("nan")
        end = job.machine.servo.travel_deg.at
        if not -end <= throw <= end:
            raise click.UsageError(
                f"--at {at}: say neutral, left, right, or degrees of servo arm (+ leans left), within ±{end:g}."
            )
    return pose_at(job.setup, throw)


@click.command("draw")
@machine_argument
@click.option("-o", "--out", metavar="FILE", required=True, help="What to write: name it .dxf, .svg, .png or .pdf.")
@click.option("--what", type=click.Choice(["front", "arm", "link", "mount", "gauge"]), default="front", show_default=True,
              help="The machine from behind, or the pattern of a part.")  # fmt: skip
@click.option("--at", default="neutral", show_default=True, metavar="POSE",
              help="neutral, left or right (at that cap), or degrees of servo arm, + leaning left.")  # fmt: skip
@click.option("--to-size", is_flag=True, help="Front view 1:1 with hole centres; .dxf always is.")
@click.option("--dpi", type=click.IntRange(30, 600), default=150, show_default=True, help="For .png.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
def command(file: str, out: str, what: str, at: str, to_size: bool, dpi: int, force: bool) -> None:
    """Draw the machine from behind at a pose, or a part to size, in mm with plainly named layers.

    Example: leanmix draw demo:tarn --at left -o tarn_left.dxf
    """
    from leanmix.drawing import to_png, to_svg
    from leanmix.job import work_out
    from leanmix.paper import front_drawing, pattern_drawing, patterns_of, sized_drawing, to_dxf, to_pdf

    suffix = Path(out).suffix.lower()
    if suffix not in (".dxf", ".svg", ".png", ".pdf"):
        raise click.UsageError(f"{out}: end the name in .dxf, .svg, .png or .pdf.")
    source = load(file)
    name = source.machine.name
    if what == "front":
        pose = _pose(work_out(source), at)
        sized = to_size or suffix == ".dxf"
        drawing = sized_drawing(pose, f"{name}, {at}") if sized else front_drawing(pose, f"{name}, {at}")
    else:
        drawing = pattern_drawing(patterns_of(source)[what], f"{name}, {what}")
    if suffix == ".dxf":
        data: str | bytes = to_dxf(drawing.shapes, (f"machine {name}", f"machine file SHA-256 {source.digest.hex()}"))
    elif suffix == ".svg":
        data = to_svg(drawing)
    elif suffix == ".png":
        data = to_png(drawing, dpi)
    else:
        data = to_pdf((drawing,), drawing.title)
    save_out(out, data, force=force)
