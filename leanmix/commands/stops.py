"""`leanmix stops`: what ends the throw each way, what removing it gives, and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, headed, json_option, load, machine_argument, save_out

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from leanmix.job import Job
    from leanmix.machine import Machine
    from leanmix.stops import Builds, Stop

BUILDS = 4000
COLUMNS_MAX = 110


def _payload(job: Job, builds: Builds | None) -> dict[str, Any]:
    ladder = job.ladder
    found: dict[str, Any] = {
        "left": ladder.left,
        "right": ladder.right,
        "cap_left": ladder.cap_left,
        "cap_right": ladder.cap_right,
        "neutral": ladder.neutral,
        "friction_low": ladder.friction_low,
        "friction_high": ladder.friction_high,
        "loads": ladder.loads,
        "clearances": ladder.clearances,
        "notes": ladder.notes,
    }
    if builds is not None:
        found["builds"] = {
            "builds": builds.builds,
            "seed": builds.seed,
            "share_clear": builds.share_clear,
            "unusable": builds.unusable,
            "mount_low_left_mm": builds.mount_low_mm[0],
            "mount_low_right_mm": builds.mount_low_mm[1],
            "left_less_right_mm": builds.left_less_right_mm,
            "ways_differ_deg": builds.ways_differ_deg,
            "measure_again": builds.measure_again,
            **{
                way.way: {
                    "what": dict(way.what),
                    "spread_deg": way.spread_deg,
                    "clear_deg": way.clear_deg,
                    "cap_deg": way.cap_deg,
                    "influences": way.influences,
                }
                for way in (builds.left, builds.right)
            },
        }
    return found


def _rung(number: int, stop: Stop) -> RenderableType:
    from rich.console import Group
    from rich.padding import Padding
    from rich.text import Text

    head = Text(f"{number}  {stop.throw_deg:.1f}° of arm  ", style="bold")
    head.append("BLOCKS" if stop.blocks else "touches", style="bold red" if stop.blocks else "bold yellow")
    pulses = " / ".join(f"{p:.0f}" for p in stop.pulses_us)
    lines = [
        f"{stop.lean_says}, {pulses} µs",
        f"mounts {_travel(stop.push_left_mm)} left, {_travel(stop.push_right_mm)} right",
        stop.says,
    ]
    if stop.gain_deg is not None:
        lines.append(f"without it {stop.gain_deg:.2f}° more lean")
    return Group(
        head, *(Padding(Text(line), (0, 0, 0, 3)) for line in lines), Padding(Text(f"→ {stop.cure}"), (0, 0, 1, 3))
    )


def _travel(push_mm: float) -> str:
    return f"{abs(push_mm):.1f} mm {'down' if push_mm > 0 else 'up'}"


def _ladders(job: Job) -> RenderableType:
    from rich.console import Group
    from rich.table import Table

    table = Table(box=None, expand=True, padding=(0, 2, 0, 0), header_style="bold underline")
    columns = []
    for way in ("left", "right"):
        table.add_column(f"leaning {way}", ratio=1)
        rungs = [_rung(i, stop) for i, stop in enumerate(job.ladder.way(way), start=1)]
        columns.append(Group(*rungs) if rungs else "nothing ends the throw")
    table.add_row(*columns)
    return table


def _neutral(out: Console, job: Job) -> None:
    n = job.ladder.neutral
    out.print(headed("Arm centred"))
    for name, side in (("left", n.left), ("right", n.right)):
        low = f", mount {abs(side.mount_low_mm):.2f} mm {'low' if side.mount_low_mm > 0 else 'high'}"
        out.print(
            f"  {name:5}  link {side.link_length_mm:.2f} mm ball to ball, rod {side.rod_length_mm:.1f} mm, pushes "
            f"{abs(side.link_off_guide_deg):.0f}° off its guide{low if abs(side.mount_low_mm) >= 0.005 else ''}",
            markup=False,
        )
    for i, tooth in enumerate(n.tooth):
        which = "" if len(n.tooth) == 1 else f" {('left', 'right')[i]}"
        move = "stays on its tooth" if tooth.teeth == 0 else f"goes {abs(tooth.teeth)} teeth {_up(tooth.teeth)}"
        if tooth.end_for_end:
            move += " and end for end"
        out.print(
            f"  spline{which}: the arm {move}; {abs(tooth.trim_us):.0f} µs ({abs(tooth.trim_deg):.1f}°) still to trim "
            f"of {tooth.step_deg:.1f}° a tooth",
            markup=False,
        )


def _up(teeth: int) -> str:
    return "up" if teeth > 0 else "down"


def _figures(out: Console, job: Job) -> None:
    import numpy as np

    loads = job.ladder.loads
    caps = job.caps
    inside = (loads.throw_deg <= caps.left.throw_deg) & (loads.throw_deg >= -caps.right.throw_deg)
    if caps.left.throw_deg + caps.right.throw_deg <= 0 or not inside.any():
        out.print("There is no throw to use: the first block stands at neutral.")
        return

    def most(values: Any) -> float:
        known = np.concatenate([v[inside] for v in values])
        return float(known[np.isfinite(known)].max(initial=0.0))

    need = most((*loads.torque_out_N_mm, *loads.torque_back_N_mm))
    share = 1.0 - most(1.0 - s for s in loads.push_share_high)
    side = most(loads.side_load_N)
    angle = most(np.abs(a) for a in loads.link_off_guide_deg)
    slowest = -most([-loads.speed_cold_deg_per_s + 1e4]) + 1e4
    out.print(headed("Between the caps, at the high end of friction"))
    out.print(
        f"  servo      {need:.0f} N mm of the {loads.torque_allowed_N_mm:.0f} N mm allowed, battery cold; "
        f"{slowest:.0f}°/s under its load at the slowest"
    )
    if loads.current_A is not None:
        out.print(f"  current    {most([loads.current_A]):.2f} A at most")
    out.print(f"  links      {angle:.0f}° off the guides at most; {100 * share:.0f} % of a push comes out at the least")
    out.print(f"  guides     {side:.1f} N of side load at most")


def _builds(out: Console, builds: Builds, machine: Machine) -> None:
    from leanmix.machine import spoken_key

    out.print(headed(f"\n{builds.builds:,} builds within the tolerances of the file"))
    for way in (builds.left, builds.right):
        s = way.spread_deg
        what = ", ".join(f"{name} {100 * share:.0f} %" for name, share in way.what[:3])
        out.print(
            f"  leaning {way.way:5}  first block {s.mean:.1f}°, 95 of 100 between {s.low:.1f}° and {s.high:.1f}° ({what})",
            markup=False,
        )
        out.print(f"                 {100 * builds.share_clear:g} of 100 reach {way.clear_deg:.1f}° unblocked")
    d, w = builds.left_less_right_mm, builds.ways_differ_deg
    out.print(
        f"  mounts at neutral differ left to right by {max(abs(d.low), abs(d.high)):.2f} mm in 95 of 100, "
        f"the two first blocks by {max(abs(w.low), abs(w.high)):.1f}°"
    )
    for i, item in enumerate(builds.measure_again[:3]):
        lead = "measure again  " if i == 0 else "               "
        out.print(
            f"  {lead}{spoken_key(machine, item.key)}: {100 * item.share:.0f} % of the first block's spread (± {f'{item.tol:g} {item.unit}'.strip()})",
            markup=False,
        )


def _pick(job: Job, at: str) -> Stop:
    way, _, number = at.partition(":")
    if way not in ("left", "right") or not (number or "1").isdigit():
        raise click.UsageError(f"--at {at}: say left or right, and which rung: left:2.")
    ladder = job.ladder.way(way)
    if not 1 <= int(number or 1) <= len(ladder):
        raise click.UsageError(f"--at {at}: leaning {way} has {len(ladder)} rungs.")
    return ladder[int(number or 1) - 1]


@click.command("stops")
@machine_argument
@click.option("--at", metavar="WAY:RUNG", help="Draw the machine at one rung of the ladder, such as left:1.")
@click.option("-o", "--out", metavar="FILE", help="With --at: write the drawing here instead, as .svg or .png.")
@click.option("--builds", type=click.IntRange(0, 1_000_000), default=BUILDS, show_default=True,
              help="How many builds to draw from the tolerances; 0 for none.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="Which builds.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
@json_option
def command(file: str, at: str | None, out: str | None, builds: int, seed: int, force: bool, as_json: bool) -> None:
    """Show what ends the throw each way, in order: what blocks, what only touches, what removing it gives.

    Example: leanmix stops demo:moss --at left:2
    """
    from leanmix.job import work_out
    from leanmix.stops import stops_of_builds

    if out is not None and at is None:
        raise click.UsageError("-o needs --at: say which rung to draw.")
    job = work_out(load(file))
    if at is not None:
        if out is not None or not as_json:
            _draw(job, at, out, force)
        if as_json:
            emit_json("stop", {"at": at, "stop": _pick(job, at)}, job.source)
        return
    many = stops_of_builds(job.machine, max(builds, 2), seed) if builds else None
    if as_json:
        emit_json("stops", _payload(job, many), job.source)
        return
    screen = console()
    screen.print(headed(job.machine.name, ": what ends the throw\n"))
    screen.print(_ladders(job))
    for way, cap in (("left", job.caps.left), ("right", job.caps.right)):
        screen.print(f"cap {way}: {cap.throw_deg:.1f}° of arm, {cap.why}", markup=False)
    screen.print()
    _neutral(screen, job)
    screen.print()
    _figures(screen, job)
    if many is not None:
        _builds(screen, many, job.machine)
    if job.ladder.notes:
        screen.print(headed("\nNotes"))
        for note in job.ladder.notes:
            screen.print(f"  {note}", markup=False)


def _draw(job: Job, at: str, out: str | None, force: bool) -> None:
    from leanmix.commands._stop_picture import stop_drawing, stop_lines
    from leanmix.drawing import to_png, to_svg
    from leanmix.paper import pose_at

    stop = _pick(job, at)
    pose = pose_at(job.setup, stop.throw_deg if stop.way == "left" else -stop.throw_deg)
    if out is None:
        screen = console()
        for line in stop_lines(pose, stop, min(screen.width, COLUMNS_MAX)):
            screen.print(line, markup=False)
        mark = "✕ blocks" if stop.blocks else "◇ touches"
        screen.print(f"{mark} at {stop.throw_deg:.1f}° of arm leaning {stop.way}: {stop.says}.", markup=False)
        screen.print(f"→ {stop.cure}", markup=False)
        return
    suffix = Path(out).suffix.lower()
    if suffix not in (".svg", ".png"):
        raise click.UsageError(f"{out}: end the name in .svg or .png.")
    drawing = stop_drawing(pose, stop, f"{job.machine.name}, {at}")
    save_out(out, to_svg(drawing) if suffix == ".svg" else to_png(drawing), force=force)
