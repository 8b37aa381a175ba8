"""`leanmix stance`: how far it leans, what the runners carry, when it tips, and what would buy most."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, headed, json_option, load, machine_argument, save_out
from leanmix.commands._differences import lean_words
from leanmix.words import signed

if TYPE_CHECKING:
    from rich.console import Console

    from leanmix.job import Job

RADII_M = (2.0, 4.0, 8.0)
BAR_CELLS = 16
# turns that tip within this of one another are alike [g]
ALIKE_G = 0.005
TELLING_G = 0.002


def _full_lock(job: Job, turn: str) -> float:
    from leanmix.curve import plan_throw_deg

    return float(plan_throw_deg(job.table.plan, 1.0 if turn == "left" else -1.0)[1][0])


def payload(job: Job, lateral_g: float, bank_deg: float) -> dict[str, Any]:
    """Everything the command says, units in the key names."""
    import numpy as np

    from leanmix.stance import (
        TURNS,
        Turn,
        balance,
        gain_of_leaning,
        plain_answers,
        slide_g,
        speed_m_per_s,
        tip_limits,
        what_buys_most,
    )

    turns: dict[str, Any] = {}
    for turn in TURNS:
        lock, sign = _full_lock(job, turn), 1.0 if turn == "left" else -1.0
        limits = tip_limits(job.setup, np.array([0.0, lock, -lock]), turn, bank_deg)
        turning = balance(job.setup, np.array([0.0, lock]), sign * lateral_g, bank_deg)
        surfaces = []
        for i, surface in enumerate(job.machine.surfaces):
            mu = np.array([surface.grip.at - (surface.grip.tol or 0), surface.grip.at + (surface.grip.tol or 0)])
            slides = slide_g(np.maximum(mu, 0.0), turn, bank_deg)
            tip = float(limits.sprung_g[1])
            first = "slides" if slides[1] < tip else "tips" if slides[0] > tip else "slides or tips"
            surfaces.append({"index": i, "name": surface.name, "slide_g": slides, "leaning_in_it": first})
        turns[turn] = {
            "arm_at_full_lock_deg": abs(lock),
            "lean_at_full_lock_deg": abs(float(limits.lean_deg[1])),
            "rigid_tip_g": dict(zip(("upright", "leaning_in", "leaning_out"), limits.rigid_g, strict=True)),
            "sprung_tip_g": dict(zip(("upright", "leaning_in", "leaning_out"), limits.sprung_g, strict=True)),
            "gives_way_g": dict(zip(("upright", "leaning_in", "leaning_out"), limits.gives_way_g, strict=True)),
            "inner_runner_lifts_g": dict(zip(("upright", "leaning_in", "leaning_out"), limits.lift_g, strict=True)),
            "speed_at_tip_m_per_s": {
                f"radius_{r:g}_m": speed_m_per_s(limits.sprung_g[:2], r) for r in RADII_M
            },
            "loads_N": {
                word: None if not turning.ok[k] else {
                    "lateral_g": lateral_g, "left": turning.runner_load_left_N[k], "right": turning.runner_load_right_N[k],
                    "rear": turning.rear_load_N[k],
                }
                for k, word in enumerate(("upright", "leaning_in"))
            },
            "surfaces": surfaces,
        }  # fmt: skip
    tips = {turn: float(turns[turn]["sprung_tip_g"]["leaning_in"]) for turn in TURNS}
    sooner: Turn = "right" if tips["right"] < tips["left"] - ALIKE_G else "left"
    lock = _full_lock(job, sooner)
    worth, gain = what_buys_most(job.machine, abs(lock), sooner), gain_of_leaning(job.setup, lock, sooner)
    return {
        "bank_deg": bank_deg,
        "turning": turns,
        "parked": _parked(job),
        "what_buys_most_turning": sooner,
        "what_buys_most": [
            {"change": w.what, "tip_upright_g": w.upright_g, "tip_leaning_in_g": w.leaning_g, "lean_deg": w.lean_deg}
            for w in worth
        ],
        "answers": [{"question": a.question, "answer": a.answer} for a in plain_answers(job.machine, worth, gain)],
    }


@click.command("stance")
@machine_argument
@click.option(
    "--turn-g",
    "lateral_g",
    type=click.FloatRange(0, 3),
    default=0.3,
    show_default=True,
    help="Lateral acceleration for the loads, in g.",
)
@click.option(
    "--bank",
    "bank_deg",
    type=click.FloatRange(-45, 45),
    default=0.0,
    help="Slope of the road across in degrees, left side lower.",
)
@click.option("-o", "--out", metavar="FILE", help="Support seen from above and loads as a picture, .svg or .png.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
@json_option
def command(file: str, lateral_g: float, bank_deg: float, out: str | None, force: bool, as_json: bool) -> None:
    """Show how far FILE's machine leans, what its runners carry, when it tips, and what would buy most.

    Example: leanmix stance demo:tarn --turn-g 0.4
    """
    from leanmix.job import work_out

    if out is not None and not out.endswith((".svg", ".png")):
        raise click.UsageError(f"{out}: a picture is written as .svg or .png.")
    job = work_out(load(file))
    found = payload(job, lateral_g, bank_deg)
    if out is not None:
        from leanmix.commands._stance_picture import stance_drawing
        from leanmix.drawing import to_png, to_svg

        drawing = stance_drawing(job.setup, _full_lock(job, "left"), lateral_g)
        save_out(out, to_svg(drawing) if out.endswith(".svg") else to_png(drawing, 150), force=force)
    if as_json:
        emit_json("stance", found, job.source)
        return
    _show(console(), job, found)


def _show(out: Console, job: Job, found: dict[str, Any]) -> None:
    from rich.table import Table

    bank = f", bank {found['bank_deg']:g}°" if found["bank_deg"] else ""
    out.print(headed(job.machine.name, f": lean, loads and tipping{bank}"))
    for turn, row in found["turning"].items():
        rigid, sprung = row["rigid_tip_g"], row["sprung_tip_g"]
        out.print(
            f"\nturning {turn}: arm {row['arm_at_full_lock_deg']:.1f}° at full lock, lean {row['lean_at_full_lock_deg']:.2f}° into the turn"
        )
        table = Table(box=None, pad_edge=False, header_style="bold")
        for head in ("", "tips, on springs", "if rigid", *(f"at {r:g} m radius" for r in RADII_M)):
            table.add_column(head, justify="right" if head else "left")
        for k, word in enumerate(("upright", "leaning in", "leaning out")):
            key = word.replace(" ", "_")
            speeds = (
                [f"{float(v[k]):.1f} m/s" for v in row["speed_at_tip_m_per_s"].values()]
                if k < 2
                else [""] * len(RADII_M)
            )
            table.add_row(word, f"{sprung[key]:.3f} g", f"{rigid[key]:.3f} g", *speeds)
        out.print(table)
        for word, limit in row["gives_way_g"].items():
            if limit < sprung[word] - TELLING_G:
                out.print(
                    f"  {word.replace('_', ' ')} it rolls on by itself at {limit:.3f} g, until a stop or the other spring holds it;"
                    " thrown into that, it goes over there.",
                    markup=False,
                )
        gain = sprung["leaning_in"] / sprung["upright"] - 1
        verdict = (
            "leaning in helps"
            if gain > 0.01
            else "leaning in does not help"
            if gain < -0.01
            else "leaning in changes next to nothing"
        )
        out.print(
            f"  {verdict}: {signed(100 * gain, 1)} %. A rigid machine would look {100 * (rigid['leaning_in'] / sprung['leaning_in'] - 1):.0f} % better than this one is.",
            markup=False,
        )
        for word, loads in row["loads_N"].items():
            if loads is None:
                out.print(f"  {word.replace('_', ' ')}: it does not stand that turn", markup=False)
                continue
            most = max(float(loads[side]) for side in ("left", "right", "rear"))
            bars = "  ".join(
                f"{side} {float(loads[side]):5.1f} N {'▇' * round(BAR_CELLS * float(loads[side]) / most)}"
                for side in ("left", "right", "rear")
            )
            out.print(f"  at {loads['lateral_g']:g} g, {word.replace('_', ' '):10} {bars}", markup=False)
        for surface in row["surfaces"]:
            low, high = surface["slide_g"]
            out.print(
                f"  on {surface['name']}: grip gives out at {low:.2f} to {high:.2f} g; leaning in it {surface['leaning_in_it']} first",
                markup=False,
            )
    turn = found["what_buys_most_turning"]
    tips = {t: row["sprung_tip_g"]["leaning_in"] for t, row in found["turning"].items()}
    sooner = ", where it tips sooner" if abs(tips["left"] - tips["right"]) > ALIKE_G else ""
    out.print(f"\nWhat buys most, turning {turn}{sooner} (tip limit on its springs)")
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head, justify in (("change", "left"), ("leaning in", "right"), ("upright", "right"), ("lean", "right")):
        table.add_column(head, justify=justify)  # type: ignore[arg-type]
    for w in found["what_buys_most"]:
        table.add_row(
            w["change"],
            f"{signed(w['tip_leaning_in_g'], 3)} g",
            f"{signed(w['tip_upright_g'], 3)} g",
            f"{signed(w['lean_deg'], 2)}°",
        )
    out.print(table)
    for a in found["answers"]:
        out.print(headed(f"\n{a['question']}"))
        out.print(a["answer"], markup=False)
    if found["parked"]:
        out.print(headed("\nParked", ": the runners' grip may hold it anywhere in a band; rolling frees it"))
    for p in found["parked"]:
        low, high = sorted((p["least_deg"], p["most_deg"]), key=abs)
        out.print(
            f"  arm at full lock {p['turn']}, on {p['surface']} (grip up to {p['grip']:.2f}): "
            f"from {lean_words(low)} to {lean_words(high)}, rolling {lean_words(p['rolling_deg'])}",
            markup=False,
        )


def _parked(job: Job) -> list[dict[str, Any]]:
    """The band of lean on each of the machine's surfaces, at the top of its grip."""
    import numpy as np

    from leanmix.stance import TURNS, parked_lean

    rows = []
    throws = np.array([_full_lock(job, turn) for turn in TURNS])
    for surface in job.machine.surfaces:
        grip = surface.grip.at + (surface.grip.tol or 0)
        band = parked_lean(job.setup, throws, grip)
        rows += [
            {
                "turn": turn, "surface": surface.name, "grip": grip, "rolling_deg": float(band.rolling_deg[k]),
                "least_deg": float(band.least_deg[k]), "most_deg": float(band.most_deg[k]),
            }
            for k, turn in enumerate(TURNS)
        ]  # fmt: skip
    return rows
