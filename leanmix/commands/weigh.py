"""`leanmix weigh`: balance point from kitchen scales, a tilt board and a ruler, with its uncertainty."""

from __future__ import annotations

from typing import Any

import click

from leanmix.commands._common import emit_json, json_option, load, machine_argument, talk
from leanmix.machine import Measured, save_text


class Reading(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases of click
    """A number, or a number with its tolerance as ``310+-2``."""

    name = "NUMBER[+-TOL]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Measured:
        """Read one reading."""
        if isinstance(value, Measured):
            return value
        at, _, tol = str(value).replace("±", "+-").replace(",", ".").partition("+-")
        try:
            reading = Measured(float(at), float(tol) if tol else None)
        except ValueError:
            self.fail(f"{value!r} is not a number, or a number+-tolerance such as 310+-2.", param, ctx)
        if not (0 <= reading.at < 1e6 and (reading.tol is None or 0 <= reading.tol < 1e6)):
            self.fail(f"{value!r} is not a reading: 0 to a million.", param, ctx)
        return reading


READING = Reading()


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
    for together in (
        ("--left, --right and --rear", left_g, right_g, rear_g),
        ("--raised and --front-raised", raised_mm, front_raised_g),
    ):
        names, *given = together
        if 0 < sum(g is not None for g in given) < len(given):
            raise click.UsageError(f"{names} belong together.")
    from leanmix.weighing import ScaleReadings, weigh, weighed_in

    found = weigh(source, ScaleReadings(left_g, right_g, rear_g, rear_behind_mm, tilt_deg, raised_mm, front_raised_g))
    if not found:
        raise click.UsageError("Give --left, --right and --rear, or --tilt, or --raised with --front-raised.")
    if save:
        save_text(file, weighed_in(source, found).text)
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
