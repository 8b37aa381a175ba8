"""`leanmix check`: is this a usable machine file, and what was understood."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import click

from leanmix.commands._common import console, emit_json, headed, json_option, load, machine_argument
from leanmix.errors import Finding, GeometryError
from leanmix.machine import (
    MachineFile,
    Number,
    each_number,
    fastener_errors,
    fastener_remarks,
    remarks,
    spoken_key,
    values,
)
from leanmix.machine.lines import key_lines, line_of

_SKIP_RIGHT = "right."


def _rows(numbers: list[Number]) -> list[Number]:
    """Drop the right side's number where the left one says the same."""
    left = {n.key.removeprefix("left."): n.measured for n in numbers if n.key.startswith("left.")}
    return [
        n
        for n in numbers
        if not n.key.startswith(_SKIP_RIGHT) or left.get(n.key.removeprefix(_SKIP_RIGHT)) != n.measured
    ]


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def _errors(source: MachineFile) -> list[Finding]:
    from leanmix.linkage import SIDES, side_geometry

    lines = key_lines(source.text)
    numbers = values(source.machine)
    links: dict[str, float] = {}
    found = []
    for side in SIDES:
        try:
            links[side] = float(side_geometry(source.machine, numbers, side).link_length_mm)
        except GeometryError as error:
            found.append(Finding(side, error.what, error.todo))
    for finding in fastener_errors(source.machine, links):
        path = tuple(int(k) if k.isdigit() else k for k in finding.key.split("."))
        found.append(replace(finding, line=line_of(lines, path) or line_of(lines, ("side", *path[1:]))))
    return found


def _notes(source: MachineFile) -> tuple[Finding, ...]:
    return remarks(source.machine) + fastener_remarks(source.machine)


def _payload(source: MachineFile, numbers: list[Number]) -> dict[str, Any]:
    return {
        "numbers": [
            {"key": n.key, "at": n.measured.at, "tol": n.measured.tol, "from": n.measured.source, "unit": n.unit}
            for n in numbers
        ],
        "errors": [{"key": f.key, "line": f.line, "what": f.what, "todo": f.todo} for f in _errors(source)],
        "remarks": [{"key": f.key, "what": f.what, "todo": f.todo} for f in _notes(source)],
    }


@click.command("check")
@machine_argument
@json_option
@click.pass_context
def command(ctx: click.Context, file: str, as_json: bool) -> None:
    """Check a machine file: every error at once, odd numbers, and what was understood.

    Example: leanmix check mine.toml
    """
    source = load(file)
    numbers = list(each_number(source.machine))
    errors = _errors(source)
    if as_json:
        emit_json("check", _payload(source, numbers), source)
        if errors:
            ctx.exit(1)
        return
    from rich.table import Table
    from rich.text import Text

    out = console()
    m = source.machine
    arranged = m.servo.arrangement.replace("_", " ")
    out.print(headed(m.name, f"  {m.runner.kind}s in front, {m.rear.kind} behind, {arranged}"))
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title, justify in (("what", "left"), ("value", "right"), ("±", "right"), ("unit", "left"), ("from", "left")):
        table.add_column(title, justify=justify)  # type: ignore[arg-type]
    for n in _rows(numbers):
        tol = "" if n.measured.tol is None else f"{n.measured.tol:g}"
        key = Text(spoken_key(m, n.key).replace("left.", "side.", 1))
        table.add_row(key, f"{n.measured.at:g}", tol, n.unit, n.measured.source)
    out.print(table)
    found = _notes(source)
    for finding in errors:
        out.print(f"error {finding}", markup=False)
    for finding in found:
        out.print(f"note  {finding}", markup=False)
    verdict = f"usable, but {_count(len(errors), 'error')} in how it goes together" if errors else "usable"
    out.print(
        f"{source.name}: {verdict}. {len(numbers)} numbers, {_count(len(found), 'note')}.",
        markup=False,
    )
    if errors:
        ctx.exit(1)
