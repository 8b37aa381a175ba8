"""`leanmix bench`: read the real machine, hold the model against it, take what was found into the machine file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import Decimal, console, emit_json, json_option, load, machine_argument, save_out, talk
from leanmix.commands._ports import port_option
from leanmix.errors import FileTrouble, NoAnswer

if TYPE_CHECKING:
    from collections.abc import Iterable

    from leanmix.bench import Change, Fitted
    from leanmix.journal import Reading
    from leanmix.machine import MachineFile, Measured


HOW_SURE = (
    "Say how sure the reading is, in its own unit: --tol 1 for a protractor's degree, --tol 0.2 for calipers' mm."
)


@click.group("bench")
def command() -> None:
    """What the metal says: walk the bench, fit the readings, compare stops, take it into the machine file.

    Example: leanmix bench walk mine.toml --port /dev/ttyUSB0
    """


def _walk_option(f: Any) -> Any:
    text = "Readings of this walk; 'all' for every one. Without it, those of the last walk."
    return click.option("--walk", "walk_name", metavar="NAME", help=text)(f)


def _readings(source: MachineFile, walk: str | None, wanted: tuple[str, ...]) -> tuple[Reading, ...]:
    """This machine's readings of some quantities, of one walk or all."""
    from leanmix.journal import Journal

    with Journal.open(read_only=True) as journal:
        mine = [r for _, r in journal.readings(machine=source.machine.name) if r.quantity in wanted]
    if not mine:
        raise NoAnswer(
            f"The journal has no readings of {' or '.join(wanted)} of {source.machine.name}.",
            "Walk the bench (leanmix bench walk), or write them down: leanmix bench add",
        )
    name = mine[-1].walk if walk is None else walk
    chosen = tuple(r for r in mine if name in ("all", r.walk))
    if not chosen:
        known = ", ".join(sorted({r.walk or "(by hand)" for r in mine}))
        raise NoAnswer(f"{name}: no walk of that name ({known}).", "Choose one of them, or all.")
    return chosen


@command.command("walk")
@machine_argument
@port_option
@click.option("--points", type=click.IntRange(2, 40), default=5, show_default=True, help="Pulses to read at, each way.")
@click.option("--angles/--no-angles", default=True, help="Arm angles by protractor.")
@click.option("--heights/--no-heights", default=True, help="Eye heights by calipers.")
@click.option("--angle-tol", type=click.FloatRange(0.05, 20), default=1.0, show_default=True, help="± of an angle, °.")
@click.option("--height-tol", type=click.FloatRange(0.01, 5), default=0.1, show_default=True, help="± of a height, mm.")
@click.option("--steering/--no-steering", default=True, help="The steering's range, off the receiver.")
@click.option("--search/--no-search", default=True, help="Creep to the stops.")
@click.option("--creep", type=click.FloatRange(2, 20), default=6.0, show_default=True,
              help="Most that the servo may be sent past a stop, µs.")  # fmt: skip
@click.option("--sag", type=click.FloatRange(0.05, 3), default=0.25, show_default=True,
              help="Drop of the supply that counts as a stall, V.")  # fmt: skip
@json_option
def walk(
    file: str,
    port: str,
    points: int,
    angles: bool,
    heights: bool,
    angle_tol: float,
    height_tol: float,
    steering: bool,
    search: bool,
    creep: float,
    sag: float,
    as_json: bool,
) -> None:
    """Walk the machine of FILE through the bench, step by step, with a board on PORT; you read, it keeps.

    Machine on a stand, drive disconnected. Enter stops a moving servo at any time; Ctrl-C ends the walk.

    Example: leanmix bench walk mine.toml --port /dev/ttyUSB0
    """
    from leanmix.bench import Plan, Walk
    from leanmix.board import open_board
    from leanmix.commands._terminal_builder import TerminalBuilder
    from leanmix.job import work_out
    from leanmix.journal import Journal, named_board

    source = load(file)
    if not sys.stdin.isatty():
        raise click.UsageError("A bench walk needs someone at a terminal who answers and can say stop.")
    plan = Plan(points, angles, heights, angle_tol, height_tol, steering, search, creep, sag)
    with open_board(port) as session, Journal.open() as journal:
        board = named_board(session)

        def record(reading: Reading) -> None:
            journal.record_reading(reading, source=source, board=board)

        report = Walk(session, work_out(source), TerminalBuilder(), record, _walk_name(), plan).run()
    if as_json:
        emit_json("bench walk", {"board": board, "report": report}, source)
        return
    click.echo(f"walk {report.walk}: {len(report.readings)} readings kept")
    for finding in report.findings:
        click.echo(f"- {finding}")
    talk(f"Next: leanmix bench fit {file}; leanmix bench stops {file}")


def _walk_name() -> str:
    from datetime import datetime

    return datetime.now().astimezone().strftime("%Y-%m-%d %H:%M:%S")


@command.command("add")
@machine_argument
@click.argument("quantity")
@click.argument("at", type=Decimal())
@click.option("--tol", type=Decimal(HOW_SURE), required=True, help="± of the reading (95 %).")
@click.option("--side", type=click.Choice(["left", "right"]), help="Which side, where it has one.")
@click.option("--pulse", "pulse_us", type=Decimal(), metavar="µs", help="Pulse to the servo at the time.")
@click.option("--approach", type=click.Choice(["longer", "shorter"]), help="Which way the pulse was going.")
@click.option("--state", type=click.Choice(["parked", "rolled"]), help="For a lean: parked, or after rolling a length.")
@click.option("--how", default="", help="Instrument.")
@click.option("--walk", "walk_name", default="", help="Walk it belongs to.")
@click.option("--note", default="", help="Free text.")
@click.option("--board", default="", help="The board's serial.")
@json_option
def add(
    file: str,
    quantity: str,
    at: float,
    tol: float,
    side: str | None,
    pulse_us: float | None,
    approach: str | None,
    state: str | None,
    how: str,
    walk_name: str,
    note: str,
    board: str,
    as_json: bool,
) -> None:
    """Write down one reading by hand: QUANTITY (arm_deg, eye_up_mm, lean_deg, stop_us, …) and what was read.

    Example: leanmix bench add mine.toml lean_deg 7.5 --tol 0.3 --pulse 1800 --state rolled --how "phone level"
    """
    from leanmix.journal import Journal, Reading

    source = load(file)
    reading = Reading(quantity, at, tol, how, side or "", pulse_us, approach or "", state or "", walk_name, note)
    with Journal.open() as journal:
        uid = journal.record_reading(reading, source=source, board=board)
        entry = journal.entry(uid)
    number = entry.head.number if entry else 0
    if as_json:
        emit_json("bench add", {"uid": uid, "number": number, "reading": reading}, source)
    else:
        talk(f"entry {number} written")


def _amount(m: Measured | None) -> str:
    if m is None:
        return ""
    return f"{m.at:.4g}" + ("" if m.tol is None else f" ± {m.tol:.2g}")


def _fitted_table(rows: Iterable[Fitted]) -> None:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold")
    for title, justify in (
        ("what", "left"),
        ("side", "left"),
        ("file", "right"),
        ("bench", "right"),
        ("", "left"),
        ("", "left"),
    ):
        table.add_column(title, justify=justify)  # type: ignore[arg-type]
    for n in rows:
        mark = "" if n.found else "not found from these readings"
        table.add_row(n.name, n.side, _amount(n.was), _amount(n.now), n.unit, "differs" if n.differs else mark)
    console().print(table)


@command.command("fit")
@machine_argument
@_walk_option
@click.option("--picture", metavar="OUT", help="Draw the readings against the model: .svg or .png.")
@click.option("--force", is_flag=True, help="Write over a picture that is there already.")
@json_option
def fit(file: str, walk_name: str | None, picture: str | None, force: bool, as_json: bool) -> None:
    """Find arm radius, link, gain, offset, free play and ride height of FILE's machine from the readings.

    Example: leanmix bench fit mine.toml --picture fit.svg
    """
    from leanmix.bench import fit_bench

    source = load(file)
    found = fit_bench(source, _readings(source, walk_name, ("arm_deg", "eye_up_mm")))
    if picture is not None:
        _draw(found, picture, f"{source.machine.name}: {len(found.readings)} bench readings", force)
    if as_json:
        emit_json(
            "bench fit",
            {
                "numbers": found.numbers,
                "derived": found.derived,
                "odd": found.odd,
                "readings": found.readings,
                "file_says": found.file_says,
                "fit_says": found.fit_says,
                "spread": found.spread,
            },
            source,
        )
        return
    _fitted_table((*found.numbers, *found.derived))
    for odd in found.odd:
        r = odd.reading
        click.echo(
            f"left out: {r.quantity} {r.side} at {r.pulse_us:g} µs, {r.at:g} where {odd.expected:.1f} was to be: {odd.likely}"
        )
    click.echo(f"{len(found.readings)} readings scatter {found.spread:.2f} times what their tolerances say.")
    talk(f"To put this into the file: leanmix bench take {file}")


def _draw(found: Any, picture: str, title: str, force: bool) -> None:
    from leanmix.bench import fit_drawing
    from leanmix.drawing import to_png, to_svg

    suffix = Path(picture).suffix.lower()
    if suffix not in (".svg", ".png"):
        raise FileTrouble(f"{picture}: the picture is written as .svg or .png.", "Choose one of these.")
    drawing = fit_drawing(found, title)
    save_out(picture, to_svg(drawing) if suffix == ".svg" else to_png(drawing), force=force)


@command.command("stops")
@machine_argument
@_walk_option
@json_option
def stops(file: str, walk_name: str | None, as_json: bool) -> None:
    """Stops as measured beside stops as predicted; the nearer one wins.

    Example: leanmix bench stops mine.toml
    """
    from leanmix.bench import compare_stops
    from leanmix.job import work_out

    source = load(file)
    checks = compare_stops(work_out(source), _readings(source, walk_name, ("stop_us",)))
    if as_json:
        emit_json("bench stops", {"stops": checks}, source)
        return
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("leaning", "servo", "measured µs", "predicted µs", "nearer", "throw°", ""):
        table.add_column(title, justify="right" if "µs" in title or "°" in title else "left")
    for c in checks:
        table.add_row(
            c.way, c.servo, _amount(c.measured), _amount(c.predicted), c.nearer, f"{c.throw_deg:.1f}",
            "differs" if c.differs else "",
        )  # fmt: skip
    console().print(table)
    for c in checks:
        if c.differs:
            click.echo(f"leaning {c.way}: {c.likely}")


@command.command("lean")
@machine_argument
@_walk_option
@json_option
def lean(file: str, walk_name: str | None, as_json: bool) -> None:
    """Rear roll stiffness and parked friction, from lean readings at several throws, parked and rolled.

    Example: leanmix bench lean mine.toml
    """
    from leanmix.bench import fit_lean

    source = load(file)
    found = fit_lean(source, _readings(source, walk_name, ("lean_deg",)))
    if as_json:
        emit_json("bench lean", {"fit": found}, source)
        return
    click.echo(
        f"rear roll stiffness {_amount(found.stiffness)} N m/rad, the file has {_amount(found.was)}"
        + (": they differ" if found.differs else "")
    )
    click.echo(f"it reads {_amount(found.crooked_deg)} ° where it should stand level")
    if found.friction_N_m is not None:
        click.echo(
            f"parked, friction holds {_amount(found.friction_N_m)} N m: any lean within {found.band_deg:.2f} ° either way"
        )
    click.echo(f"{len(found.readings)} readings scatter {found.spread:.2f} times what their tolerances say.")


@command.command("take")
@machine_argument
@_walk_option
@click.option("--what", type=click.Choice(["fit", "stops", "lean"]), multiple=True, default=["fit"], show_default=True,
              help="Numbers fitted, caps from measured stops, rear roll stiffness.")  # fmt: skip
@click.option("--yes", is_flag=True, help="Do not ask.")
@json_option
def take(file: str, walk_name: str | None, what: tuple[str, ...], yes: bool, as_json: bool) -> None:
    """Take what the bench found into FILE, as one edit that the journal can undo.

    Example: leanmix bench take mine.toml --what fit --what stops
    """
    from leanmix.bench import taken_in
    from leanmix.journal import Journal
    from leanmix.machine import save_text

    if file.startswith("demo:"):
        raise FileTrouble(f"{file}: a demo machine is not changed.", "Copy it first: leanmix new mine.toml --like …")
    source = load(file)
    changes = _changes(source, walk_name, what)
    after = taken_in(source, changes)
    if not as_json:
        for c in changes:
            click.echo(f"{c.key}: {_amount(c.was) or 'not given'} → {_amount(c.now)}   ({c.why})")
    if not yes:
        if not sys.stdin.isatty():
            raise click.UsageError("There is no terminal to ask on. Look at the changes above, then add --yes.")
        click.confirm(f"Change {file}?", abort=True, err=True)
    with Journal.open() as journal:
        journal.record_edit(source, after, f"took in {', '.join(what)} off the bench")
    save_text(file, after.text)
    undo = f"leanmix journal restore {source.digest.hex()[:16]} {file}"
    if as_json:
        emit_json("bench take", {"changes": changes, "undo": undo}, after)
    else:
        talk(f"wrote {file}; to undo: {undo}")


def _changes(source: MachineFile, walk: str | None, what: tuple[str, ...]) -> tuple[Change, ...]:
    from leanmix.bench import Change, changes_of_fit, changes_of_stops, compare_stops, fit_bench, fit_lean
    from leanmix.job import work_out

    out: list[Change] = []
    if "fit" in what:
        out += changes_of_fit(fit_bench(source, _readings(source, walk, ("arm_deg", "eye_up_mm"))))
    if "stops" in what:
        job = work_out(source)
        out += changes_of_stops(job, compare_stops(job, _readings(source, walk, ("stop_us",))))
    if "lean" in what:
        found = fit_lean(source, _readings(source, walk, ("lean_deg",)))
        key = "rear.roll_stiffness_N_m_per_rad"
        out.append(Change(key, found.was, found.stiffness, "lean readings"))
    return tuple(out)
