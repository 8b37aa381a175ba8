"""`leanmix survey`: readings to coordinates, what is open, what disagrees, and what to measure next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, json_option, load, machine_argument, save_out, talk
from leanmix.errors import FileTrouble
from leanmix.machine import MachineFile, save_text

if TYPE_CHECKING:
    from leanmix.remeasure import TableStands, WhatMoved
    from leanmix.survey import Advice, ReadingsFile, Recorded, Solution

FIGURES = ("stop", "stop-right", "lean", "tip")
SEEN = ("front", "behind", "left", "right")


@click.command("survey")
@machine_argument
@click.option("--readings", type=click.Path(dir_okay=False), help="Readings file; without it, beside FILE.")
@click.option(
    "--add", multiple=True, metavar="READING", help="Add a reading first: 'pins lower_pivot lower_ball 84.9'."
)
@click.option("--points", is_flag=True, help="Show which point is which, and stop.")
@click.option("--points-out", type=click.Path(dir_okay=False), metavar="OUT", help="Write that drawing (.svg or .png), and stop.")  # fmt: skip
@click.option(
    "--ask", type=click.Choice(FIGURES), default="stop", show_default=True, help="What you want to know better."
)
@click.option("--write", is_flag=True, help="Put the outcome into FILE, with tolerances and origin.")
@click.option("--drawing", type=click.Path(dir_okay=False), metavar="DRAWING", help="Take hole centres from a .dxf or .svg.")  # fmt: skip
@click.option("--hole", multiple=True, metavar="NUMBER=POINT", help="With --drawing: hole 3 is that point; without, by layer or label.")  # fmt: skip
@click.option("--layer", help="With --drawing: only this layer.")
@click.option("--view", type=click.Choice(["front", "side"]), default="front", help="With --drawing: which view it is.")
@click.option("--seen-from", type=click.Choice(SEEN), help="With --drawing: front or behind; for a side view left or right.")  # fmt: skip
@click.option("--drawing-tol-mm", type=click.FloatRange(0.001, 20), default=0.5, show_default=True, help="How true the made part is to its drawing (95 %).")  # fmt: skip
@click.option("--unit-mm", type=click.FloatRange(1e-6, 1e6), help="With --drawing: millimetres a drawing unit, if the file says it wrongly.")  # fmt: skip
@click.option("--since", metavar="OLDFILE", help="Compare with an earlier state of FILE: what moved, and stop.")
@click.option("--force", is_flag=True, help="With --points-out: write over a file that is there already.")
@json_option
def command(
    file: str,
    readings: str | None,
    add: tuple[str, ...],
    points: bool,
    points_out: str | None,
    ask: str,
    write: bool,
    drawing: str | None,
    hole: tuple[str, ...],
    layer: str | None,
    view: str,
    seen_from: str | None,
    drawing_tol_mm: float,
    unit_mm: float | None,
    since: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Find FILE's points from whatever was measured: pin to pin, heights, offsets, angles, pictures, drawings.

    Readings lie beside FILE (mine.toml: mine.readings.toml), one a line. Says what is still open, which reading
    disagrees, and which one further reading would tell most.

    Example: leanmix survey mine.toml --add "pins lower_pivot lower_ball 84.9" --add "height lower_pivot 50.1"
    """
    source = load(file)
    if points or points_out:
        _which(source, points_out, force)
        return
    if since is not None:
        _compare(load(since), source, as_json)
        return
    stored = _readings(source, file, readings, add, begin=drawing is not None)
    if drawing is not None:
        stored = _drawing(source, stored, drawing, hole, layer, view, seen_from, drawing_tol_mm, unit_mm)
    from leanmix.survey import record, solve

    solution = solve(source.machine, stored.survey)
    outcome = record(source, solution) if write else None
    advice, no_advice = _advice(source, stored, ask)
    if outcome is not None:
        if file.startswith("demo:"):
            raise FileTrouble(
                f"{file}: a demo machine stays as it is.", "Copy it first: leanmix new mine.toml --like …."
            )
        save_text(file, outcome.source.text)
    if as_json:
        emit_json("survey", _payload(stored, solution, advice, outcome, ask), source)
        return
    _show(solution, advice, no_advice, ask)
    if outcome is not None:
        left = f"; {len(outcome.left_out)} are still open and stay" if outcome.left_out else ""
        talk(f"wrote {len(outcome.changes)} numbers into {file}{left}")
        _compare(source, outcome.source, as_json)


def _readings(source: MachineFile, file: str, readings: str | None, add: tuple[str, ...], *, begin: bool) -> ReadingsFile:  # fmt: skip
    """The readings file, with new lines added and saved; made-up readings for a demo that has none.

    `begin` starts with none where there is no file yet.
    """
    from leanmix.survey import (
        MADE_UP,
        ReadingsFile,
        add_line,
        blank_readings,
        load_readings,
        made_up_readings,
        parse_line,
        parse_readings,
        places_of,
        readings_path,
    )

    path = Path(readings) if readings else None if file.startswith("demo:") else readings_path(file)
    if path is None:
        if add:
            raise FileTrouble(f"{file}: a demo machine has no place for readings.", "Give --readings FILE.")
        talk("These readings are made up, from the demo machine and the usual noise of calipers and a flat board.")
        return ReadingsFile(MADE_UP, blank_readings(source.machine), made_up_readings(source.machine, 1))
    if not path.exists():
        if not add and not begin:
            raise FileTrouble(
                f"{path}: there are no readings yet.",
                f'Begin with: leanmix survey {file} --add "pins lower_pivot lower_ball 84.9"; --points names the points.',
            )
        stored = parse_readings(blank_readings(source.machine), source.machine, str(path))
    else:
        stored = load_readings(path, source.machine)
    if add:
        places = places_of(source.machine)
        text = stored.text
        for line in add:
            text = add_line(text, parse_line(line, places))
        stored = parse_readings(text, source.machine, str(path))
        save_text(path, text)
    return stored


def _drawing(
    source: MachineFile,
    stored: ReadingsFile,
    path: str,
    named: tuple[str, ...],
    layer: str | None,
    view: str,
    seen_from: str | None,
    tol_mm: float,
    unit_mm: float | None,
) -> ReadingsFile:
    from leanmix.survey import MADE_UP, parse_readings
    from leanmix.survey.holes import read_holes
    from leanmix.survey.tables import put_drawing

    seen = seen_from or ("front" if view == "front" else "left")
    if (seen in ("front", "behind")) != (view == "front"):
        raise click.UsageError(f"--seen-from {seen} does not go with a {view} view.")
    holes = [h for h in read_holes(path, unit_mm) if layer is None or h.layer == layer]
    sheet = _named_holes(source, Path(path).name, holes, named, view, seen in ("behind", "right"), tol_mm)
    if not sheet.marks:
        _list_holes(path, holes)
        raise FileTrouble(f"{path}: no hole is named after a point.", "Name them: --hole 1=lower_pivot --hole 2=upper_pivot …")  # fmt: skip
    if stored.name == MADE_UP:
        raise FileTrouble("a demo machine has no place for readings.", "Give --readings FILE.")
    text = put_drawing(stored.text, sheet)
    found = parse_readings(text, source.machine, stored.name)
    save_text(stored.name, text)
    talk(f"{len(sheet.marks)} of {len(holes)} holes taken from {path}")
    return found


def _named_holes(source: MachineFile, name: str, holes: list[Any], named: tuple[str, ...], view: str, mirrored: bool, tol_mm: float) -> Any:  # fmt: skip
    from leanmix.survey import Mark, Sheet, UnknownPoint, find_point, places_of

    places = places_of(source.machine)
    by_number: dict[int, str] = {}
    for item in named:
        number, _, point = item.partition("=")
        if not number.strip().isdigit() or not 1 <= int(number) <= len(holes) or not point.strip():
            raise click.UsageError(f"--hole {item}: say NUMBER=POINT, with a number from 1 to {len(holes)}.")
        by_number[int(number)] = point
    marks: list[Mark] = []
    for i, found in enumerate(holes, start=1):
        for words in (by_number.get(i, ""), found.label, found.layer):
            if not words:
                continue
            try:
                at = find_point(words, places)
            except UnknownPoint:
                if words == by_number.get(i):
                    raise
                continue
            if at in (m.point for m in marks):
                raise FileTrouble(
                    f"{name}: two holes are named {at}.", "Say which with --hole NUMBER=POINT and a --layer."
                )
            marks.append(Mark(at, found.x_mm, found.y_mm, tol_mm))
            break
    return Sheet(name, "drawing", view, mirrored, tuple(marks))


def _list_holes(path: str, holes: list[Any]) -> None:
    from rich.table import Table

    table = Table(title=f"Holes of {Path(path).name}", box=None, header_style="bold", title_justify="left")
    for title in ("number", "x mm", "y mm", "across mm", "layer", "label"):
        table.add_column(title, justify="right" if title.endswith("mm") else "left")
    for i, h in enumerate(holes, start=1):
        table.add_row(str(i), f"{h.x_mm:.2f}", f"{h.y_mm:.2f}", f"{h.diameter_mm:.2f}", h.layer, h.label)
    console(stderr=True).print(table)


def _which(source: MachineFile, out: str | None, force: bool) -> None:
    from leanmix.survey.sketch import points_drawing, points_text

    if out is None:
        click.echo(points_text(source.machine), nl=False)
        return
    from leanmix.drawing import to_png, to_svg

    kind = Path(out).suffix.lower()
    if kind not in (".svg", ".png"):
        raise FileTrouble(f"{out}: the points are drawn as .svg or .png.", "Choose one of these.")
    picture = points_drawing(source.machine)
    save_out(out, to_svg(picture) if kind == ".svg" else to_png(picture, dpi=200), force=force)


def _advice(source: MachineFile, stored: ReadingsFile, ask: str) -> tuple[tuple[Advice, ...], str]:
    from leanmix.errors import LeanmixError
    from leanmix.remeasure import ask_next

    try:
        return ask_next(source.machine, stored.survey, ask), ""
    except LeanmixError as error:
        return (), str(error)


def _show(solution: Solution, advice: tuple[Advice, ...], no_advice: str, ask: str) -> None:
    from rich.table import Table

    from leanmix.remeasure import FIGURES as FIGURES_IN_WORDS
    from leanmix.survey.words import spread_words

    out = console()
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("point", "out mm", "up mm", "how sure (95 %)"):
        table.add_column(title, justify="right" if title.endswith("mm") else "left")
    for p in solution.points:
        sure = spread_words(*p.ellipse_mm) if p.held else "open"
        table.add_row(p.plain, f"{p.out_mm:.2f}", f"{p.up_mm:.2f}", sure)
    out.print(table)
    for c in solution.readings:
        if c.aside and c.reading is None:
            out.print(f"disagrees  {c.words}: lies {c.off:.2f} mm off what all the rest say; set aside.", markup=False)
        elif c.aside:
            out.print(
                f"disagrees  {c.words}: reads {c.reads:g} {c.unit}, the rest say {c.others_say:.2f} "
                f"({abs(c.off):.2f} {'more' if c.off > 0 else 'less'}); set aside.",
                markup=False,
            )
        elif c.or_else:
            out.print(f"or else    {c.words}: leaving this one out instead fits about as well.", markup=False)
    if solution.widened > 1:
        out.print(
            f"note  the readings disagree more than their tolerances say; all were widened × {solution.widened:.1f}."
        )
    blind = [c.words for c in solution.readings if not c.aside and c.checked < 0.02 and c.reading is not None]
    if blind:
        some = "; ".join(blind[:3]) + (" …" if len(blind) > 3 else "")
        out.print(
            f"note  nothing checks {len(blind)} of the readings, a slip there would not show: {some}", markup=False
        )
    for o in (*solution.open, *solution.either):
        out.print(f"open  {o.words}", markup=False)
    if solution.unmeasured:
        out.print(f"open  no reading yet to: {', '.join(solution.unmeasured)}", markup=False)
    if no_advice:
        out.print(f"next  {no_advice}", markup=False)
    elif advice:
        figure = FIGURES_IN_WORDS[ask]
        out.print(f"next  to know better {figure.words}:", markup=False)
        for a in advice[:3]:
            out.print(
                f"      {a.words}: ± {a.tol_before:.2g} becomes ± {a.tol_after:.2g} {figure.unit} (should read about {a.reading.reads:.1f})",
                markup=False,
            )


def _compare(before: MachineFile, after: MachineFile, as_json: bool) -> None:
    """What moved between two states of a file, and whether the last flashed table still stands."""
    from leanmix.errors import LeanmixError
    from leanmix.remeasure import what_moved

    try:
        found = what_moved(before, after)
    except LeanmixError as error:
        talk(f"what moved could not be worked out: {error}")
        return
    stands, why_not = _flashed(after)
    if as_json:
        emit_json("what_moved", {"changes": found.changes, "moved": found.moved, "flashed_table": stands}, after)
        return
    _show_moved(found, stands, why_not)


def _flashed(after: MachineFile) -> tuple[TableStands | None, str]:
    """The newest table flashed for this machine, proved again; or why there is none."""
    from leanmix.errors import LeanmixError
    from leanmix.journal import Journal
    from leanmix.remeasure import flashed_stands

    try:
        with Journal.open() as journal:
            held = journal.last_on_board(after.machine.name)
        if held is None:
            return None, "no table was flashed for this machine yet, as far as the journal knows"
        return flashed_stands(after, held.image), ""
    except LeanmixError as error:
        return None, f"the flashed table could not be checked: {error}"


def _show_moved(found: WhatMoved, stands: TableStands | None, why_not: str) -> None:
    from rich.table import Table

    out = console()
    table = Table(title="What moved", box=None, pad_edge=False, header_style="bold", title_justify="left")
    for title in ("figure", "before", "now", "change", "unit"):
        table.add_column(title, justify="left" if title in ("figure", "unit") else "right")
    for m in found.moved:
        places = 3 if m.unit == "g" else 2
        before, now = ("none" if v is None else f"{v:.{places}f}" for v in (m.before, m.after))
        change = "" if m.before is None or m.after is None else f"{m.after - m.before:+.{places}f}"
        table.add_row(m.what, before, now, change, m.unit)
    out.print(table)
    if stands is None:
        out.print(f"table  {why_not}", markup=False)
        return
    for c in stands.checks:
        if not c.passed:
            out.print(f"table  no longer holds: {c.name} ({c.figure})", markup=False)
    if stands.holds:
        out.print(
            f"table  the flashed table's proof still holds; a new one would change lean by at most {stands.lean_moved_deg:.2f} deg",
            markup=False,
        )
    else:
        out.print("table  make and flash a new one before driving: leanmix flash FILE --port …", markup=False)


def _payload(stored: ReadingsFile, solution: Solution, advice: tuple[Advice, ...], outcome: Recorded | None, ask: str) -> dict[str, Any]:  # fmt: skip
    from leanmix.remeasure import FIGURES as FIGURES_IN_WORDS

    unit = FIGURES_IN_WORDS[ask].unit
    return {
        "readings_file": stored.name,
        "asked": ask,
        "points": [
            {
                "point": str(p.point), "both_sides": p.both, "out_mm": p.out_mm, "up_mm": p.up_mm, "held": p.held,
                "covariance_mm2": p.covariance_mm2, "ellipse_95_mm": p.ellipse_mm,
            }
            for p in solution.points
        ],
        "numbers": [{"key": n.key, "at": n.at, "tol": n.tol, "from": n.source, "held": n.held} for n in solution.numbers],
        "readings": [
            {
                "what": c.words, "reads": c.reads, "others_say": c.others_say, "unit": c.unit, "off": c.off,
                "checked_share": c.checked, "set_aside": c.aside, "or_else": c.or_else,
            }
            for c in solution.readings
        ],
        "open": [{"points": [str(p) for p in o.points], "ways": o.ways, "says": o.words} for o in solution.open],
        "two_places": [{"points": [str(p) for p in o.points], "says": o.words} for o in solution.either],
        "unmeasured": solution.unmeasured,
        "widened": solution.widened,
        "freedom": solution.freedom,
        "next": [
            {"what": a.words, "variance_share": a.share, "tol_before": a.tol_before, "tol_after": a.tol_after, "unit": unit}
            for a in advice
        ],
        "written": None if outcome is None else [c.key for c in outcome.changes],
    }  # fmt: skip
