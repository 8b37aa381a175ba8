"""`leanmix tour`: the whole job on a demo machine and the virtual board, printed so that a newcomer sees what it is for."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, headed, json_option, load
from leanmix.commands._differences import lean_words
from leanmix.words import signed

if TYPE_CHECKING:
    from rich.console import Console

    from leanmix.board import FlashResult
    from leanmix.job import Job
    from leanmix.stops import Stop

RUNGS = 3
TRIED_G = 0.3
TELLING = 0.01


def _step(out: Console, number: int, title: str) -> None:
    out.print(f"\n{number}  {title}", markup=False, style="bold")


def _rung(stop: Stop) -> str:
    word = "BLOCKS" if stop.blocks else "touches"
    gain = "" if stop.gain_deg is None else f"; without it {stop.gain_deg:.2f}° more lean"
    return f"   {stop.throw_deg:5.1f}° of arm, {stop.lean_says}: {word:7} {stop.says.split(':')[0]}{gain}"


def _measured(out: Console, job: Job) -> None:
    from leanmix.machine import each_number, remarks

    m = job.machine
    numbers = list(each_number(m))
    sure = sum(1 for n in numbers if n.measured.tol)
    out.print(" ".join(m.about.split()), style=None, markup=False)
    out.print(
        f"   The file holds {len(numbers)} numbers, {sure} of them with a tolerance; every one says how it was measured."
    )
    for note in remarks(m):
        out.print(f"   note: {note.what}", markup=False)
    side = job.ladder.neutral.left
    out.print(
        f"   Link {side.link_length_mm:.2f} mm ball to ball: cut {side.rod_length_mm:.1f} mm of rod.", markup=False
    )


def _stops(out: Console, job: Job) -> None:
    for way in ("left", "right"):
        out.print(f"   leaning {way}:")
        for stop in job.ladder.way(way)[:RUNGS]:
            out.print(_rung(stop), markup=False)
    moss = _moss()
    block = moss.ladder.first_block("left")
    if block is not None:
        out.print("   Moss, the same machine as first built:", markup=False)
        out.print(_rung(block), markup=False)
        out.print(f"      cure: {block.cure}", markup=False)


def _moss() -> Job:
    from leanmix.job import work_out

    return work_out(load("demo:moss"))


def _tips(out: Console, job: Job) -> dict[str, Any]:
    import numpy as np

    from leanmix.curve import plan_throw_deg
    from leanmix.stance import balance, tip_limits, what_buys_most

    held = float(plan_throw_deg(job.table.plan, 1.0)[1][0])
    lean = float(job.lean_of_throw(np.array([held]))[0])
    out.print(
        f"   At full left lock the arm goes to {held:.1f}° and the machine leans {lean_words(lean)}.", markup=False
    )
    limits = tip_limits(job.setup, np.array([0.0, held]))
    upright, leaning = (float(g) for g in limits.sprung_g)
    gain = leaning / upright - 1
    verdict = "later" if gain > TELLING else "earlier" if gain < -TELLING else "hardly later or earlier"
    out.print(
        f"   Turning left it tips at {upright:.2f} g upright, at {leaning:.2f} g leaning in: {verdict} ({signed(100 * gain, 1)} %). "
        f"A rigid machine would, by the rule of thumb, stand {float(limits.rigid_g[1]):.2f} g.",
        markup=False,
    )
    best = what_buys_most(job.machine, held)[0]
    out.print(f"   What would buy most: {best.what}, {signed(best.leaning_g, 2)} g.", markup=False)
    for word, throw in (("upright", 0.0), ("leaning in", held)):
        stance = balance(job.setup, throw, lateral_g=TRIED_G)
        if bool(np.all(stance.ok)):
            left, right = float(stance.runner_load_left_N), float(stance.runner_load_right_N)
            out.print(
                f"   {word:10} in a left turn at {TRIED_G:g} g: left runner {left:.1f} N, right runner {right:.1f} N, "
                f"rear {float(stance.rear_load_N):.1f} N",
                markup=False,
            )
    return {"lean_deg_left": lean, "tip_upright_g": upright, "tip_leaning_in_g": leaning}


def _curve(out: Console, job: Job) -> None:
    fit = job.table.fit
    for way, cap in (("left", job.caps.left), ("right", job.caps.right)):
        out.print(f"   cap {way}: {cap.throw_deg:.1f}° of arm, {cap.why}", markup=False)
    knee = f", at the knee {fit.knee_error_us:.2f} µs" if fit.knee_error_us else ""
    out.print(
        f"   33 knots: worst {fit.error_us:.2f} µs off the exact mapping{knee}, over all {fit.inputs:,} inputs.",
        markup=False,
    )
    for check in job.proved.checks:
        out.print(f"   proved  {check.name}: {check.figure} ({check.inputs:,} inputs)", markup=False)


def _board(out: Console, job: Job) -> FlashResult:
    import contextlib

    from leanmix.board import MemoryWire, Session, VirtualBoard, flash
    from leanmix.errors import PortError

    # in memory only: a tour leaves nothing behind
    board = VirtualBoard()
    # a bare container or another system may have no pseudo-terminals: then without one
    with contextlib.suppress(PortError):
        board.start()
    try:
        out.print(
            f"   A virtual board (the C core of the real one) answers on {board.port or 'a line in memory'}.",
            markup=False,
        )
        with Session.open(board.port) if board.port else Session(lambda: MemoryWire(board), "virtual") as session:
            done = flash(session, job.proved)
            again = flash(session, job.proved)
    finally:
        board.stop()
    equal = "read back equal" if done.after == job.proved.data else "READ BACK DIFFERENT"
    out.print(f"   Stored {len(job.proved.data)} bytes in {done.seconds:.2f} s, {equal}.")
    out.print(f"   Flashed once more: {again.outcome}, nothing written.")
    return done


@click.command("tour")
@json_option
def command(as_json: bool) -> None:
    """Do the whole job on Tarn, an invented machine, and a virtual board; takes a few seconds.

    Example: leanmix tour
    """
    from io import StringIO

    from rich.console import Console

    from leanmix.job import work_out

    started = time.monotonic()
    job = work_out(load("demo:tarn"))
    out = Console(file=StringIO()) if as_json else console()
    welcome = ": from a measured machine to a proved table on its board. This is Tarn; nothing moves."
    out.print(headed("leanmix", welcome))
    _step(out, 1, "What was measured")
    _measured(out, job)
    _step(out, 2, "What ends the throw, and what removing it would give")
    _stops(out, job)
    _step(out, 3, "How far it leans, and whether it tips later")
    tips = _tips(out, job)
    _step(out, 4, "Curve, table and proof")
    _curve(out, job)
    _step(out, 5, "Onto the board, and back")
    done = _board(out, job)
    took = time.monotonic() - started
    fit = job.table.fit
    if as_json:
        emit_json(
            "tour",
            {
                "read_back_equal": done.after == job.proved.data,
                "outcome": done.outcome,
                "worst_error_us": fit.error_us,
                "worst_error_at_knee_us": fit.knee_error_us,
                "proof": [{"name": c.name, "figure": c.figure, "inputs": c.inputs} for c in job.proved.checks],
                "seconds": took,
                **tips,
            },
            job.source,
        )
        return
    out.print(
        f"\nThat took {took:.1f} s. Your own machine: leanmix new mine.toml, then leanmix check mine.toml", markup=False
    )
