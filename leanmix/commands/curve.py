"""`leanmix curve`: how much lean for how much steer, the table that does it, and its proof."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, json_option, load, machine_argument
from leanmix.commands._differences import lean_words, steer_words

if TYPE_CHECKING:
    from leanmix.job import Job

ROWS = 17
# a lean that nobody would miss
TELLING_DEG = 0.05


def _rows(job: Job) -> dict[str, Any]:
    import numpy as np

    from leanmix.curve import asked_deg, plan_pulses_us, plan_throw_deg

    steer = np.linspace(1, -1, ROWS)
    plan = job.table.plan
    wanted, held = plan_throw_deg(plan, steer)
    return {
        "steer": steer,
        "asked_deg_left": asked_deg(job.machine, job.numbers, steer),
        "arm_asked_deg_left": wanted,
        "arm_deg_left": held,
        "lean_deg_left": job.lean_of_throw(held),
        "pulses_us": np.array(plan_pulses_us(plan, held)),
    }


def payload(job: Job) -> dict[str, Any]:
    """The curve, table and proof with units in the key names."""
    table, caps = job.table, job.caps
    return {
        "ask": job.machine.lean.ask,
        "caps": {
            way: {
                "throw_deg": cap.throw_deg,
                "lean_deg": abs(float(job.lean_of_throw(_at(sign * cap.throw_deg))[0])),
                "why": cap.why,
            }
            for way, cap, sign in (("left", caps.left, 1), ("right", caps.right, -1))
        },
        "knee_deg": table.fit.knee_deg,
        "inputs": table.fit.inputs,
        "worst_error_us": table.fit.error_us,
        "worst_error_at_knee_us": table.fit.knee_error_us,
        "outputs": [
            {
                "knots_us": [k / 8 for k in o.knots_eighths],
                "cap_low_us": o.cap_low_eighths / 8,
                "cap_high_us": o.cap_high_eighths / 8,
                "neutral_us": o.neutral_eighths / 8,
                "slew_us_per_frame": o.slew_eighths / 8,
            }
            for o in table.image.outputs
        ],
        "rows": _rows(job),
        "proof": {
            "passed": all(c.passed for c in job.checks),
            "checks": [
                {"name": c.name, "passed": c.passed, "figure": c.figure, "inputs": c.inputs} for c in job.checks
            ],
        },
    }


def _at(throw_deg: float) -> Any:
    import numpy as np

    return np.array([throw_deg])


def _held_back(job: Job, rows: dict[str, Any]) -> list[str]:
    """What the caps take from what was asked, and an own cap that lies beyond them."""
    ask, told = job.machine.lean.ask, []
    got = rows["lean_deg_left"] if ask == "lean" else rows["arm_deg_left"]
    for way, cap, end in (("left", job.caps.left, 0), ("right", job.caps.right, -1)):
        asked, given = abs(float(rows["asked_deg_left"][end])), abs(float(got[end]))
        if asked - given > TELLING_DEG:
            told.append(
                f"full {way} lock asks for {asked:.2f}° of {ask} and gets {given:.2f}°: the cap and its knee hold it back"
            )
        own = getattr(job.machine.limits, f"cap_{way}_deg")
        if own is not None and own.at > cap.throw_deg:
            told.append(f"limits.cap_{way}_deg {own.at:g}° changes nothing: the cap comes before it")
    return told


@click.command("curve")
@machine_argument
@json_option
def command(file: str, as_json: bool) -> None:
    """Show steer to lean to servo pulse, the caps, the fitted table and its proof; status 1 if it is not proved.

    Example: leanmix curve demo:tarn
    """
    from leanmix.job import work_out

    job = work_out(load(file))
    if as_json:
        emit_json("curve", payload(job), job.source)
    else:
        show(job)
    if not all(c.passed for c in job.checks):
        raise click.exceptions.Exit(1)


def show(job: Job) -> None:
    """Print the curve for people."""
    from rich.table import Table

    out = console()
    rows = _rows(job)
    table = Table(box=None, pad_edge=False, header_style="bold")
    outputs = len(rows["pulses_us"])
    heads = [
        "steering",
        "lean asked" if job.machine.lean.ask == "lean" else "arm asked",
        "arm",
        "lean",
        *(["pulse"] if outputs == 1 else ["left pulse", "right pulse"]),
    ]
    for head in heads:
        table.add_column(head, justify="right")
    for i, steer in enumerate(rows["steer"]):
        table.add_row(
            steer_words(float(steer)),
            lean_words(float(rows["asked_deg_left"][i])),
            lean_words(float(rows["arm_deg_left"][i])).replace("upright", "centred"),
            lean_words(float(rows["lean_deg_left"][i])),
            *(f"{p:.1f} µs" for p in rows["pulses_us"][:, i]),
        )
    out.print(table)
    for way, cap in (("left", job.caps.left), ("right", job.caps.right)):
        out.print(f"cap {way}: arm {cap.throw_deg:.1f}° ({cap.why})", markup=False)
    for line in _held_back(job, rows):
        out.print(line, markup=False)
    fit = job.table.fit
    asked = float(job.numbers["limits.knee_deg"])
    wider = "" if fit.knee_deg <= asked else f", widened from {asked:g}° because 33 knots hold no sharper one"
    knee = (
        f"; at the knee ({fit.knee_deg:.1f}°{wider}) {fit.knee_error_us:.2f} µs"
        if fit.knee_error_us
        else "; no knee is reached"
    )
    out.print(
        f"table: 33 knots an output, worst {fit.error_us:.2f} µs off over {fit.inputs:,} inputs{knee}", markup=False
    )
    for check in job.checks:
        out.print(
            f"{'proved' if check.passed else 'FAILED'}  {check.name}: {check.figure} ({check.inputs:,} inputs)",
            markup=False,
        )
