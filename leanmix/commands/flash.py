"""`leanmix flash`: put a machine's proved table on a board, verified, and remember it."""

from __future__ import annotations

import click

from leanmix.commands._common import emit_json, json_option, load, machine_argument, talk
from leanmix.commands._differences import difference_json, difference_lines
from leanmix.commands._ports import cautioned, identity_json, identity_lines, port_option, progress_bar, yes_option
from leanmix.machine import mostly_guessed


@click.command("flash")
@machine_argument
@port_option
@yes_option
@json_option
def command(file: str, port: str, yes: bool, as_json: bool) -> None:
    """Prove the table of FILE, show what it changes, store it on the board, read it back, and keep it in the journal.

    Example: leanmix flash demo:tarn --port virtual
    """
    from leanmix.board import open_board, refusals
    from leanmix.errors import BoardRefused
    from leanmix.job import work_out
    from leanmix.journal import Journal, flash_and_record

    job = work_out(load(file))
    proved = job.proved
    with open_board(port) as board:
        why_not = refusals(proved, board.identity)
        if why_not:
            raise BoardRefused(" ".join(why_not), "Nothing was written.")
        found = job.difference(board.read_image())
        if not as_json:
            for line in difference_lines(found):
                click.echo(line)
        if guessed := mostly_guessed(job.machine):
            talk(guessed)
        if found is None or not found.same:
            cautioned(yes, port)
        with Journal.open() as journal:
            done = flash_and_record(board, journal, job.source, proved, progress_bar("storing"))
    if as_json:
        emit_json(
            "flash",
            {
                "outcome": done.outcome,
                "seconds": done.seconds,
                "image_bytes": len(proved.data),
                "board": identity_json(done.identity),
                "difference": None if found is None else difference_json(found),
                "proof": [{"name": c.name, "figure": c.figure, "inputs": c.inputs} for c in proved.checks],
            },
            job.source,
        )
        return
    if done.outcome == "already there":
        click.echo("Nothing was written: the board runs this very table.")
    else:
        click.echo(f"Stored {len(proved.data)} bytes in {done.seconds:.1f} s and read back equal.")
    for line in identity_lines(done.identity):
        click.echo(line)
