"""`leanmix journal`: what was flashed, read and driven, and the machine files behind it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, json_option, load, save_out, talk
from leanmix.commands._completion import MACHINE
from leanmix.commands._ports import port_option
from leanmix.errors import FileTrouble

if TYPE_CHECKING:
    from leanmix.journal import Entry, Headline, KeptFile

SHOWN = 30


@click.group("journal")
def command() -> None:
    """What was flashed, read on the bench and driven, kept for ever; and the machine files behind it.

    Example: leanmix journal list --board LM-0001
    """


def _kept(file: KeptFile) -> dict[str, Any]:
    return {"sha256": file.digest, "machine": file.machine, "name": file.name, "at_ms": file.at_ms}


def _print_list(heads: list[Headline]) -> None:
    from rich.table import Table
    from rich.text import Text

    from leanmix.journal import when
    from leanmix.machine import printable

    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("no.", "when", "what", "machine", "board", ""):
        table.add_column(title, justify="right" if title == "no." else "left", no_wrap=title != "")
    for h in heads:
        shown = (h.kind, h.machine, h.board, h.line)
        table.add_row(str(h.number), when(h.at_ms), *(Text(printable(t, 400)) for t in shown))
    console().print(table)


@command.command("list")
@click.option("--kind", help="Only flash, reading, drive, edit or strike.")
@click.option("--machine", help="Only this machine, by its name.")
@click.option("--board", help="Only this board, by its serial.")
@click.option("--last", type=click.IntRange(1), default=SHOWN, show_default=True, help="How many.")
@click.option("--all", "everything", is_flag=True, help="All of them.")
@json_option
def list_(kind: str | None, machine: str | None, board: str | None, last: int, everything: bool, as_json: bool) -> None:
    """List entries in order of time. A damaged journal is read as far as it can be, with exit status 1.

    Example: leanmix journal list --kind flash --last 5
    """
    from leanmix.journal import Journal, JournalDamaged, journal_path, read_torn

    damage = ""
    try:
        with Journal.open(read_only=True) as journal:
            heads = journal.headlines(kind=kind, machine=machine, board=board, last=None if everything else last)
    except JournalDamaged as error:
        damage = str(error)
        torn = read_torn(journal_path())
        wanted = [
            row[0]
            for row in torn.rows
            if kind in (None, row[0].kind) and machine in (None, row[0].machine) and board in (None, row[0].board)
        ]
        heads = wanted if everything else wanted[-last:]
    if as_json:
        emit_json("journal list", {"entries": [h._asdict() for h in heads], "damage": damage})
    elif heads:
        _print_list(heads)
    else:
        asked = kind or machine or board
        talk("The journal holds no such entry." if asked else "The journal is empty so far: a flash begins it.")
    if damage:
        click.echo(damage, err=True)
        sys.exit(1)


@command.command("show")
@click.argument("number", type=click.IntRange(1))
@json_option
def show(number: int, as_json: bool) -> None:
    """Show everything in one entry, by its number in the list.

    Example: leanmix journal show 1
    """
    from leanmix.journal import Journal

    with Journal.open(read_only=True) as journal:
        entry = _entry(journal.entry(number), number)
        kept = journal.file_of(entry.digest) if entry.digest else None
    if as_json:
        payload = {**entry.head._asdict(), "sha256": entry.digest, "body": entry.body, "image": entry.image}
        emit_json("journal entry", {**payload, "file": _kept(kept) if kept else None})
        return
    from leanmix.journal import when
    from leanmix.machine import printable

    h = entry.head
    head = (h.kind, h.machine, h.board)
    click.echo(f"{h.number}  {when(h.at_ms)}  {'  '.join(map(printable, head))}\n{printable(h.line, 4096)}")
    for key, value in entry.body.items():
        if value not in (None, ""):
            click.echo(f"  {printable(key)}: {printable(str(value), 4096)}")
    if entry.image:
        click.echo(f"  image: {len(entry.image)} bytes")
    if kept:
        click.echo(f"  machine file: {printable(kept.name)}, sha256 {kept.digest.hex()}")


def _entry(entry: Entry | None, number: int) -> Entry:
    if entry is None:
        raise FileTrouble(f"entry {number}: the journal has none of that number.", "Run: leanmix journal list.")
    return entry


@command.command("files")
@click.option("--machine", help="Only this machine, by its name.")
@json_option
def files(machine: str | None, as_json: bool) -> None:
    """List the machine files kept, oldest first.

    Example: leanmix journal files
    """
    from leanmix.journal import Journal, when
    from leanmix.machine import printable

    with Journal.open(read_only=True) as journal:
        kept = journal.files(machine)
    if as_json:
        emit_json("journal files", {"files": [_kept(f) for f in kept]})
        return
    for f in kept:
        click.echo(f"{f.digest.hex()[:16]}  {when(f.at_ms)}  {printable(f.machine)}  {printable(f.name)}")
    if not kept:
        talk("The journal holds no machine file yet; flashing and bench readings keep them.")


@command.command("file")
@click.argument("hash", metavar="HASH")
@click.option("-o", "--out", help="Write it to this file instead of printing it.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
@json_option
def file(hash: str, out: str | None, force: bool, as_json: bool) -> None:
    """The machine file behind a HASH, in full: from the list of files, or as a board reports it.

    Example: leanmix journal file 3fa94c0d21 -o earlier.toml
    """
    from leanmix.journal import Journal

    with Journal.open(read_only=True) as journal:
        kept = _found(journal.file_of(_digest(hash)), hash)
    if out is not None:
        save_out(out, kept.text, force=force)
    if as_json:
        emit_json("journal file", {**_kept(kept), "text": kept.text})
    elif out is None:
        click.echo(kept.text, nl=not kept.text.endswith("\n"))


def _digest(text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError as error:
        raise FileTrouble(f"{text}: is not a hash.", "Give 8 to 64 hex digits, an even number.") from error


def _found(kept: KeptFile | None, text: str) -> KeptFile:
    if kept is None:
        raise FileTrouble(
            f"{text}: this journal has no machine file of that hash.",
            "It was flashed from another computer: export the journal there and import it here.",
        )
    return kept


@command.command("board")
@port_option
@json_option
def board(port: str, as_json: bool) -> None:
    """What is on the board at PORT, and which machine file made it; exit status 1 where this journal does not know.

    Example: leanmix journal board --port /dev/ttyUSB0
    """
    from leanmix.board import open_board
    from leanmix.journal import Journal

    with open_board(port) as session:
        held = session.identity
    with Journal.open(read_only=True) as journal:
        kept = journal.file_of(bytes.fromhex(held.machine_hash)) if held.machine_hash else None
        flashes = journal.flashes(held.serial) if held.serial else ()
    if as_json:
        emit_json(
            "journal board",
            {
                "serial": held.serial,
                "machine_name": held.machine_name,
                "machine_hash": held.machine_hash,
                "file": _kept(kept) if kept else None,
                "flashes": [{"at_ms": f.at_ms, "machine": f.machine, "result": f.result} for f in flashes],
            },
        )
    elif not held.machine_hash:
        click.echo("The board runs no table.")
    elif kept is None:
        click.echo(
            f"The board runs a table of {held.machine_name}, machine file {held.machine_hash}: this journal does not "
            "have it. It was flashed from another computer; import its journal."
        )
    else:
        from leanmix.journal import when

        click.echo(f"The board runs {kept.machine}, made from {kept.name}, kept since {when(kept.at_ms)}.")
        click.echo(f"The file in full: leanmix journal file {held.machine_hash}")
    if not as_json and flashes:
        last = flashes[-1]
        click.echo(f"Last flash of this board from here: {last.machine}, {last.result}.")
    sys.exit(0 if kept is not None else 1)


@command.command("restore")
@click.argument("hash", metavar="HASH")
@click.argument("file", metavar="FILE", type=MACHINE)
def restore(hash: str, file: str) -> None:
    """Make FILE read as the kept machine file HASH; what FILE holds now is kept in the journal first.

    Example: leanmix journal restore 3fa94c0d21 mine.toml
    """
    from leanmix.journal import Journal
    from leanmix.machine import parse, save_text

    with Journal.open() as journal:
        kept = _found(journal.file_of(_digest(hash)), hash)
        after = parse(kept.text, file)
        if Path(file).exists():
            before = load(file)
            if before.digest == after.digest:
                talk(f"{file} reads so already.")
                return
            journal.record_edit(before, after, f"restored {kept.digest.hex()[:16]}")
            talk(f"what it held is kept as {before.digest.hex()[:16]}")
    save_text(file, kept.text)
    talk(f"wrote {file}")


@command.command("note")
@click.argument("file", metavar="FILE", type=MACHINE)
@click.option("--place", default="", help="Where.")
@click.option("--surface", default="", help="What on: name of a [[surface]] of FILE, or your own words.")
@click.option("--temperature", "temperature_C", type=float, metavar="°C", help="Air, in °C.")
@click.option("--tips", type=click.IntRange(0), default=0, help="How often it went over.")
@click.option("--verdict", default="", help="What you thought of it.")
@click.option("--log", default="", help="Path of the drive's log file.")
@click.option("--board", default="", help="The board's serial.")
@json_option
def note(
    file: str,
    place: str,
    surface: str,
    temperature_C: float | None,
    tips: int,
    verdict: str,
    log: str,
    board: str,
    as_json: bool,
) -> None:
    """Write down a drive with the machine of FILE.

    Example: leanmix journal note mine.toml --place "north lake" --surface "packed snow" --tips 1
    """
    from leanmix.journal import DriveNote, Journal

    source = load(file)
    with Journal.open() as journal:
        uid = journal.record_drive(
            DriveNote(place, surface, temperature_C, tips, verdict, log), source=source, board=board
        )
        entry = journal.entry(uid)
    number = entry.head.number if entry else 0
    if as_json:
        emit_json("journal note", {"uid": uid, "number": number}, source)
    else:
        talk(f"entry {number} written")


@command.command("strike")
@click.argument("number", type=click.IntRange(1))
@click.option("--why", default="mistaken", help="What was wrong with it.")
def strike(number: int, why: str) -> None:
    """Mark entry NUMBER as mistaken: it stays in the list, but no fit uses it.

    Example: leanmix journal strike 1 --why "protractor slipped"
    """
    from leanmix.journal import Journal

    with Journal.open() as journal:
        journal.strike(_entry(journal.entry(number), number).head.uid, why)
    talk(f"entry {number} struck out")


@command.command("check")
@json_option
def check(as_json: bool) -> None:
    """Look at every page and every entry; exit status 1 when something is wrong.

    Example: leanmix journal check
    """
    from leanmix.journal import Journal, JournalDamaged

    try:
        with Journal.open(read_only=True) as journal:
            found, path, entries = journal.trouble(), journal.path, len(journal.headlines())
    except JournalDamaged as error:
        found, path, entries = (str(error),), None, 0
    if as_json:
        emit_json("journal check", {"path": str(path or ""), "entries": entries, "trouble": found})
    else:
        for sentence in found:
            click.echo(sentence)
        if not found:
            click.echo(f"{path}: {entries} entries, all as they were written.")
        elif path is not None:
            click.echo("Run: leanmix journal mend.")
    sys.exit(1 if found else 0)


@command.command("mend")
@json_option
def mend(as_json: bool) -> None:
    """Write what can still be read of a damaged journal to a new one; the damaged file is kept beside it.

    Example: leanmix journal mend
    """
    from leanmix.journal import Journal, JournalDamaged, journal_path
    from leanmix.journal import mend as mended

    path = journal_path()
    if not path.exists():
        raise FileTrouble(f"{path}: there is no journal.", "Nothing needs mending.")
    try:
        with Journal.open(read_only=True) as journal:
            sound = not journal.trouble()
    except JournalDamaged:
        sound = False
    if sound:
        raise FileTrouble(f"{path}: the journal is sound.", "Nothing needs mending.")
    torn, aside = mended(path)
    if as_json:
        emit_json(
            "journal mend",
            {
                "path": str(path),
                "damaged": str(aside),
                "entries": len(torn.rows),
                "files": len(torn.files),
                "lost": torn.lost,
            },
        )
        return
    click.echo(f"{path}: {len(torn.rows)} entries and {len(torn.files)} machine files were read.")
    if torn.lost:
        some = ", ".join(map(str, torn.lost[:12])) + (" …" if len(torn.lost) > 12 else "")
        click.echo(f"{len(torn.lost)} entries could not be: {some}")
    click.echo(f"The damaged file is kept: {aside}")


@command.command("export")
@click.option("-o", "--out", help="File to write; without it, standard output.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
def export(out: str | None, force: bool) -> None:
    """Write the whole journal as JSON lines.

    Example: leanmix journal export -o journal.jsonl
    """
    from leanmix.journal import Journal, export_lines

    with Journal.open(read_only=True) as journal:
        if out is None:
            for line in export_lines(journal):
                click.echo(line, nl=False)
        else:
            save_out(out, "".join(export_lines(journal)), force=force)


@command.command("import")
@click.argument("file", metavar="FILE", type=click.Path(dir_okay=False))
@click.option("--keep-good", is_flag=True, help="Leave bad lines out instead of refusing the whole file.")
@json_option
def import_(file: str, keep_good: bool, as_json: bool) -> None:
    """Add what an export holds and this journal does not.

    Example: leanmix journal import other-laptop.jsonl
    """
    from leanmix.journal import Journal, import_lines
    from leanmix.machine import plain_file

    plain_file(file)
    try:
        with open(file, "rb") as stream, Journal.open() as journal:
            taken = import_lines(journal, stream, file, keep_good=keep_good)
    except OSError as error:
        raise FileTrouble(f"{file}: cannot be read ({error.strerror or error}).", "Check the name.") from error
    if as_json:
        emit_json("journal import", {"taken": taken})
    else:
        click.echo(
            f"{file}: {taken.entries} new entries, {taken.files} new machine files, {taken.known} known already."
        )
        for number, reason in taken.refused:
            click.echo(f"line {number} left out: {reason}", err=True)
        if not taken.whole:
            click.echo("The export was not whole.", err=True)
    sys.exit(0 if taken.whole and not taken.refused else 1)
