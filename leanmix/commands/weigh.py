"""`leanmix weigh`: balance point from kitchen scales, a tilt board and a ruler, with its uncertainty."""

from __future__ import annotations

from typing import Any

import click

from leanmix.commands._common import emit_json, json_option, load, machine_argument, talk
from leanmix.errors import LeanmixError
from leanmix.machine import MachineFile, Measured, parse, save_text, set_value

SCALE_TOL_G = 5.0
TILT_TOL_DEG = 1.0
RULER_TOL_MM = 1.0


class Reading(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases of click
    """A number, or a number with its tolerance as ``310+-2``."""

    name = "NUMBER[+-TOL]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Measured:
        """Read one reading."""
        if isinstance(value, Measured):
            return value
        at, _, tol = str(value).replace("±", "+-").partition("+-")
        try:
            reading = Measured(float(at), float(tol) if tol else None)
        except ValueError:
            self.fail(f"{value!r} is not a number, or a number+-tolerance such as 310+-2.", param, ctx)
        if not (0 <= reading.at < 1e6 and (reading.tol is None or 0 <= reading.tol < 1e6)):
            self.fail(f"{value!r} is not a reading: 0 to a million.", param, ctx)
        return reading


READING = Reading()


def _with(reading: Measured, tol: float) -> Measured:
    return reading if reading.tol is not None else Measured(reading.at, tol)


@click.command("weigh")
@machine_argument
@click.option("--left", "left_g", type=READING, help="Scale under the left runner, g, machine level.")
@click.option("--right", "right_g", type=READING, help="Scale under the right runner, g.")
@click.option("--rear", "rear_g", type=READING, help="Scale under the rear, g.")
@click.option(
    "--rear-behind",
    "rear_behind_mm",
    type=READING,
    help="Where the rear stood on its scale, mm behind the runners; without: where the file says its load rests.",
)
@click.option(
    "--tilt", "tilt_deg", type=READING, help="Tilt board: degrees at which the upper runner lifts, shocks blocked."
)
@click.option(
    "--raised",
    "raised_mm",
    type=READING,
    help="Instead of a tilt board: how far the rear was raised, mm, shocks blocked.",
)
@click.option(
    "--front-raised", "front_raised_g", type=READING, help="Both front scales together with the rear raised, g."
)
@click.option("--save", is_flag=True, help="Write the results into FILE, each with its tolerance and how it was found.")
@json_option
def command(
    file: str, left_g: Measured | None, right_g: Measured | None, rear_g: Measured | None, rear_behind_mm: Measured | None,
    tilt_deg: Measured | None, raised_mm: Measured | None, front_raised_g: Measured | None, save: bool, as_json: bool,
) -> None:  # fmt: skip
    """Work out mass and balance point of FILE's machine from scales, and its height from a tilt or a raised rear.

    Readings may carry a tolerance: --left 640+-5. Without one, 5 g, 1 mm and 1° are taken.

    Example: leanmix weigh demo:tarn --left 610 --right 605 --rear 1685 --tilt 40
    """
    source = load(file)
    if save and file.startswith("demo:"):
        raise click.UsageError("A demo machine is not yours to change: leanmix new mine.toml --like tarn")
    found = _worked_out(source, (left_g, right_g, rear_g), rear_behind_mm, tilt_deg, raised_mm, front_raised_g)
    if not found:
        raise click.UsageError("Give --left, --right and --rear, or --tilt, or --raised with --front-raised.")
    if save:
        text = source.text
        for key, value in found.items():
            text = set_value(text, key, value)
        parse(text, file)
        save_text(file, text)
        talk(f"wrote {file}")
    if as_json:
        shown = {
            k: {"at": round(v.at, 3), "tol": v.tol and round(v.tol, 3), "from": v.source} for k, v in found.items()
        }
        emit_json("weigh", {"found": shown, "saved": save}, source)
        return
    for key, value in found.items():
        tol = "" if value.tol is None else f" ± {value.tol:.1f}"
        unit = "g" if key.endswith("_g") else "mm"
        click.echo(f"{key:<24} {value.at:.1f}{tol} {unit}   ({value.source})")
    if "chassis.cg_up_mm" in found:
        click.echo(
            "On live springs the tilt reads low and the height too large: block the shocks, and catch the machine."
        )


def _worked_out(
    source: MachineFile, scales: tuple[Measured | None, Measured | None, Measured | None], rear_behind_mm: Measured | None,
    tilt_deg: Measured | None, raised_mm: Measured | None, front_raised_g: Measured | None,
) -> dict[str, Measured]:  # fmt: skip
    from leanmix.stance import cg_along_across, cg_up_from_raised_rear

    m = source.machine
    behind = _with(rear_behind_mm or m.rear.load_behind_mm, RULER_TOL_MM)
    outs = [_with(s.suspension.contact.out, RULER_TOL_MM) for s in (m.left, m.right)]
    found: dict[str, Measured] = {}
    mass, along = m.chassis.mass_g, m.chassis.cg_behind_mm
    across = m.chassis.cg_left_mm
    given = [s for s in scales if s is not None]
    if given and len(given) < 3:
        raise click.UsageError("--left, --right and --rear belong together.")
    if len(given) == 3:
        left, right, rear = (_with(s, SCALE_TOL_G) for s in given)
        weighed = cg_along_across(left, right, rear, behind, *outs)
        mass, along, across = weighed.mass_g, weighed.cg_behind_mm, weighed.cg_left_mm
        for key, value in (("mass_g", mass), ("cg_behind_mm", along), ("cg_left_mm", across)):
            found[f"chassis.{key}"] = Measured(round(value.at, 2), value.tol and round(value.tol, 2), "scales")
    if tilt_deg is not None:
        found["chassis.cg_up_mm"] = _from_tilt(source, _with(tilt_deg, TILT_TOL_DEG), along, across)
    if (raised_mm is None) != (front_raised_g is None):
        raise click.UsageError("--raised and --front-raised belong together.")
    if raised_mm is not None and front_raised_g is not None:
        if tilt_deg is not None:
            raise click.UsageError("Give a tilt or a raised rear, not both: compare two runs instead.")
        if len(given) == 3:
            level = Measured(given[0].at + given[1].at, 1.4 * SCALE_TOL_G)
        else:
            level = Measured(mass.at * (1 - along.at / behind.at), SCALE_TOL_G)
        turns_at = Measured(m.runner.radius_mm.at if m.runner.kind == "wheel" else 0.0)
        up = cg_up_from_raised_rear(
            mass, level, _with(front_raised_g, SCALE_TOL_G), behind, _with(raised_mm, RULER_TOL_MM), turns_at
        )
        found["chassis.cg_up_mm"] = Measured(round(up.at, 2), up.tol and round(up.tol, 2), "scales")
    return found


def _from_tilt(source: MachineFile, tilt: Measured, along: Measured, across: Measured) -> Measured:
    """Height from the tilt, the machine tilted left side down on its support's edge abreast of the balance point."""
    from leanmix.stance import balance, cg_up_from_tilt, reach_of_support_mm, stance_setup

    setup = stance_setup(source.machine)
    reach = reach_of_support_mm(setup, balance(setup, 0.0), along.at) - across.at
    if reach <= 0:
        raise LeanmixError("The balance point lies outside the support.", "Weigh again.")
    up = cg_up_from_tilt(tilt, Measured(reach, RULER_TOL_MM))
    return Measured(round(up.at, 2), up.tol and round(up.tol, 2), "tilt")
