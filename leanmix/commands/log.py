"""`leanmix log`: a drive's log, mended, held against the prediction, and what it says of tipping."""

from __future__ import annotations

import sys
from importlib import resources
from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, json_option, load, machine_argument, talk
from leanmix.errors import FileTrouble

if TYPE_CHECKING:
    from collections.abc import Iterator

    from leanmix.bench.drivelog import ColumnMap, LogFile, Repairs, Shape, Stretch, Tally, Tip, TipBounds


@click.group("log")
def command() -> None:
    """Drive logs: read any logger's CSV, mend its time, lay it over the prediction, find tips.

    Example: leanmix log against demo:tarn drive.csv
    """


def _logger(f: Any) -> Any:
    f = click.option(
        "--drop-bad", is_flag=True, help="Leave out rows that cannot be read instead of refusing the log."
    )(f)
    return click.option("--logger", metavar="NAME", help="Logger whose columns were named with: leanmix log map")(f)


def _opened(log: str, logger: str | None, drop_bad: bool) -> LogFile:
    from leanmix.bench.drivelog import load_map, open_log

    return open_log(log, None if logger is None else load_map(logger), drop_bad=drop_bad)


def _stretches(log: LogFile, tally: Tally, repairs: Repairs) -> Iterator[Stretch]:
    from leanmix.bench.drivelog import repaired

    return repaired(log.blocks(tally), abs(log.columns.scale("t_s")), repairs, str(log.path))


def _told(log: LogFile, tally: Tally, repairs: Repairs) -> list[str]:
    """What was read and mended, a line each."""
    out = [
        f"{tally.rows} rows in {repairs.seconds:.1f} s, usually {repairs.step_s * 1000:.3g} ms apart; "
        f"columns: {', '.join(log.quantities)}"
    ]
    counts = (
        (tally.dropped, "rows left out as unreadable"),
        (int(tally.cut_end), "last line cut, left out"),
        (repairs.untimed, "rows without a time, left out"),
        (repairs.doubled, "doubled rows left out"),
        (repairs.spread, "rows of one time spread evenly"),
        (repairs.wrapped, "times the clock ran over"),
        (repairs.restarts, "restarts of the logger"),
        (repairs.gaps, f"pauses, {repairs.gap_s:.1f} s together"),
    )
    out += [f"{count} {what}" for count, what in counts if count]
    for line, what in [*tally.dropped_lines, *(repairs.breaks or [])][:6]:
        out.append(f"  line {line}: {what}")
    return out


def _reading_json(log: LogFile, tally: Tally, repairs: Repairs) -> dict[str, Any]:
    return {
        "log": str(log.path),
        "columns": log.quantities,
        "separator": log.shape.separator,
        "decimal": log.shape.decimal,
        "rows": tally.rows,
        "dropped": tally.dropped,
        "dropped_lines": tally.dropped_lines,
        "cut_end": tally.cut_end,
        "repairs": repairs,
    }


@command.command("format")
def format_() -> None:
    """Print what the plain format is, for those who write a logger.

    Example: leanmix log format
    """
    click.echo((resources.files("leanmix.bench.drivelog") / "LOGS.md").read_text(encoding="utf-8"), nl=False)


@command.command("map")
@click.argument("log", metavar="LOG")
@click.option("--logger", required=True, metavar="NAME", help="What you call the logger.")
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="QUANTITY=COLUMN:UNIT",
    help="A column, e.g. 'lean_deg=Roll (rad):rad'; a − before the quantity turns its sign. Without any you are asked.",
)
@json_option
def map_(log: str, logger: str, columns: tuple[str, ...], as_json: bool) -> None:
    """Say once what the columns of a logger's files are, and in which unit.

    Example: leanmix log map sledge.csv --logger sledge --column "t_s=millis:ms" --column "-lean_deg=roll:rad"
    """
    from leanmix.bench.drivelog import map_path, save_map

    map_path(logger)
    shape = _shape(log)
    found = _given(logger, columns, shape) if columns else _asked(logger, shape)
    path = save_map(found)
    if as_json:
        emit_json("log map", {"logger": logger, "path": str(path), "columns": found.columns})
    else:
        talk(f"wrote {path}\nNext: leanmix log check {log} --logger {logger}")


def _shape(log: str) -> Shape:
    from leanmix.bench.drivelog import find_shape
    from leanmix.bench.drivelog.shape import HEAD_BYTES

    try:
        with open(log, "rb") as stream:
            return find_shape(stream.read(HEAD_BYTES), log)
    except OSError as error:
        raise FileTrouble(f"{log}: cannot be read ({error.strerror or error}).", "Check the name.") from error


def _given(logger: str, columns: tuple[str, ...], shape: Shape) -> ColumnMap:
    from leanmix.bench.drivelog import Column, ColumnMap

    found: dict[str, Column] = {}
    for text in columns:
        quantity, _, rest = text.partition("=")
        name, _, unit = rest.rpartition(":")
        if not quantity or not name:
            raise FileTrouble(f"{text}: is not a column.", "Write it as QUANTITY=COLUMN:UNIT.")
        if name not in shape.columns:
            raise FileTrouble(f"{name}: the log has no such column.", f"It has: {', '.join(shape.columns)[:400]}.")
        turned = quantity[0] in "-−"
        found[quantity.lstrip("-−")] = Column(name, unit, turned)
    return ColumnMap(logger, found)


def _asked(logger: str, shape: Shape) -> ColumnMap:
    from leanmix.bench.drivelog import QUANTITIES, Column, ColumnMap, units_of

    if not sys.stdin.isatty():
        raise click.UsageError("There is no terminal to ask on. Name the columns with --column.")
    for number, name in enumerate(shape.columns, 1):
        click.echo(f"{number:3d}  {name}", err=True)
    click.echo("Give the number of the column for each, or just Enter where the log has none.", err=True)
    found: dict[str, Column] = {}
    for quantity, spec in QUANTITIES.items():
        number = click.prompt(
            f"{spec.what} ({quantity})",
            default=0,
            type=click.IntRange(0, len(shape.columns)),
            show_default=False,
            err=True,
        )
        if not number:
            continue
        units = units_of(quantity)
        unit = (
            units[0]
            if len(units) == 1
            else click.prompt("  unit", type=click.Choice(units), default=units[0], err=True)
        )
        signed = "+ " in spec.what
        turned = signed and not click.confirm("  does it count the same way", default=True, err=True)
        found[quantity] = Column(shape.columns[number - 1], unit, turned)
    return ColumnMap(logger, found)


@command.command("check")
@click.argument("log", metavar="LOG")
@_logger
@json_option
def check(log: str, logger: str | None, drop_bad: bool, as_json: bool) -> None:
    """Read a LOG through and say what is in it and what had to be mended.

    Example: leanmix log check drive.csv
    """
    from leanmix.bench.drivelog import Repairs, Tally

    opened, tally, repairs = _opened(log, logger, drop_bad), Tally(), Repairs()
    for _ in _stretches(opened, tally, repairs):
        pass
    if as_json:
        emit_json("log check", _reading_json(opened, tally, repairs))
        return
    for line in _told(opened, tally, repairs):
        click.echo(line)


@command.command("plain")
@click.argument("log", metavar="LOG")
@click.option("-o", "--out", required=True, help="File to write.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
@_logger
def plain(log: str, out: str, force: bool, logger: str | None, drop_bad: bool) -> None:
    """Write a LOG in the plain format, its time mended.

    Example: leanmix log plain drive.csv -o drive-plain.csv
    """
    from pathlib import Path

    from leanmix.bench.drivelog import Repairs, Tally, plain_lines

    opened, tally, repairs = _opened(log, logger, drop_bad), Tally(), Repairs()
    target = Path(out)
    if target.exists() and not force:
        raise FileTrouble(f"{out}: is there already.", "Choose another name, or add --force.")
    part = target.with_name(target.name + ".part")  # a log may be larger than memory: it is written as it is read
    try:
        with open(part, "w", encoding="utf-8", newline="") as stream:
            for text in plain_lines(_stretches(opened, tally, repairs)):
                stream.write(text)
        part.replace(target)
    except OSError as error:
        raise FileTrouble(f"{out}: cannot be written ({error.strerror or error}).", "Choose another place.") from error
    finally:
        part.unlink(missing_ok=True)
    for line in _told(opened, tally, repairs):
        talk(line)
    talk(f"wrote {out}")


@command.command("tips")
@click.argument("log", metavar="LOG")
@_logger
@json_option
def tips(log: str, logger: str | None, drop_bad: bool, as_json: bool) -> None:
    """Find where the machine went over in a LOG, and what that says of its tip limit.

    Example: leanmix log tips drive.csv
    """
    from leanmix.bench.drivelog import Repairs, Tally, find_tips

    opened, tally, repairs = _opened(log, logger, drop_bad), Tally(), Repairs()
    found, bounds = find_tips(_stretches(opened, tally, repairs))
    if as_json:
        emit_json("log tips", {**_reading_json(opened, tally, repairs), "tips": found, "bounds": bounds})
        return
    for line in _told(opened, tally, repairs):
        talk(line)
    _print_tips(found, bounds)


def _print_tips(found: tuple[Tip, ...], bounds: tuple[TipBounds, ...]) -> None:
    import math

    for tip in found:
        how = "marked by the driver" if tip.marked else f"over to the {tip.way}"
        held = f", {tip.peak_g:.2f} g held in a {tip.turn} turn" if math.isfinite(tip.peak_g) else ""
        click.echo(f"tip at {tip.t_s:.1f} s: {how}{held}")
    if not found:
        click.echo("no tip")
    for b in bounds:
        low = f"{b.survived_g:.2f} g was held" if math.isfinite(b.survived_g) else "nothing was held"
        high = f"tipped at {b.tipped_g:.2f} g" if math.isfinite(b.tipped_g) else "never tipped"
        odd = "; the two contradict each other: bumps, or other ground" if b.contradicts else ""
        click.echo(f"turning {b.turn}: {low}, {high}{odd}")


@command.command("against")
@machine_argument
@click.argument("log", metavar="LOG")
@_logger
@json_option
def against(file: str, log: str, logger: str | None, drop_bad: bool, as_json: bool) -> None:
    """Lay a LOG over what the machine of FILE should do: lag, how much it leans, tips.

    Example: leanmix log against mine.toml sledge.csv --logger sledge
    """
    from leanmix.bench import job_prediction, predicted_limits
    from leanmix.bench.drivelog import Repairs, Tally, find_tips, judge_limits, lay_over
    from leanmix.job import work_out

    source = load(file)
    job = work_out(source)
    opened, tally, repairs = _opened(log, logger, drop_bad), Tally(), Repairs()
    overlay = lay_over(_stretches(opened, tally, repairs), job_prediction(job))
    found, bounds = find_tips(_stretches(opened, Tally(), Repairs()))
    verdicts = judge_limits(bounds, predicted_limits(job))
    if as_json:
        payload = {"overlay": overlay, "tips": found, "bounds": bounds, "limits": verdicts}
        emit_json("log against", {**_reading_json(opened, tally, repairs), **payload}, source)
        return
    from rich.table import Table

    for line in _told(opened, tally, repairs):
        talk(line)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title, justify in (("what", "left"), ("value", "right"), ("±", "right"), ("unit", "left")):
        table.add_column(title, justify=justify)  # type: ignore[arg-type]
    for name, m, unit, scale in (
        ("lean comes behind by", overlay.lag_s, "ms", 1000.0),
        ("lean over predicted lean", overlay.share, "", 1.0),
        ("lean where none is asked", overlay.offset_deg, "deg", 1.0),
    ):
        table.add_row(name, f"{m.at * scale:.3g}", f"{(m.tol or 0) * scale:.2g}", unit)
    console().print(table)
    click.echo(
        f"{100 * overlay.explained:.0f} % of the lean is explained; {overlay.left_over_deg:.2f}° is left over (rms)."
    )
    if overlay.at_end:
        click.echo("The lag ran into the end of what was tried: the log's lean does not follow its steering.")
    _print_tips(found, bounds)
    for v in verdicts:
        click.echo(
            f"predicted limit turning {v.turn}: {_limit(v.upright_g)} upright, {_limit(v.leaning_g)} leaning in; {v.says}"
        )


def _limit(g: float) -> str:
    import math

    return f"{g:.2f} g" if math.isfinite(g) else "none"
