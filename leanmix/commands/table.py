"""`leanmix table`: the proved table as a file for boards and other tools."""

from __future__ import annotations

from pathlib import Path

import click

from leanmix.commands._common import load, machine_argument, save_out

ENDINGS = {".bin": "image", ".hex": "hex", ".h": "header", ".csv": "csv"}


@click.command("table")
@machine_argument
@click.option("--as", "form", type=click.Choice(list(ENDINGS.values())),
              help="image: bytes as stored. hex: Intel HEX for the board's EEPROM. header: C. csv: every input count. "
              "Without, the ending of -o says it: .bin, .hex, .h, .csv.")  # fmt: skip
@click.option("-o", "--out", metavar="FILE", help="Where to write it; without, text goes to stdout.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
def command(file: str, form: str | None, out: str | None, force: bool) -> None:
    """Write the proved table of FILE for a board or another tool; a table that is not proved is refused.

    Example: leanmix table demo:tarn --as header -o tarn_table.h
    """
    form = form or ENDINGS.get(Path(out or "").suffix)
    if form is None:
        raise click.UsageError("Say what to write: --as image, hex, header or csv, or -o with .bin, .hex, .h or .csv.")
    from leanmix.job import work_out
    from leanmix.paper import exports

    job = work_out(load(file))
    proved = job.proved
    if form == "image":
        if out is None:
            raise click.UsageError("An image is bytes, not text: say where with -o FILE.")
        save_out(out, proved.data, force=force)
        return
    if form == "hex":
        text = exports.intel_hex(proved.image)
    elif form == "header":
        text = exports.header(proved.image, job.source)
    else:
        text = exports.mapping_csv(proved.image, job.table.plan, job.source)
    if out is None:
        click.echo(text, nl=False)
    else:
        save_out(out, text, force=force)
