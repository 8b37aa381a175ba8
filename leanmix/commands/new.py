"""`leanmix new`: a commented machine file to fill in."""

from __future__ import annotations

import click

from leanmix.commands._common import save_out, talk
from leanmix.machine import DEMOS, demo, template


@click.command("new")
@click.argument("file", metavar="FILE", type=click.Path(dir_okay=False))
@click.option("--name", default="My machine", help="Name of the machine.")
@click.option("--like", type=click.Choice(DEMOS), help="Copy a demo machine instead of the commented template.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
def command(file: str, name: str, like: str | None, force: bool) -> None:
    """Write FILE, a machine file to fill in; every key says how to measure it.

    Example: leanmix new mine.toml --name "Lake hauler"
    """
    text = demo(like).text if like else template(name)
    save_out(file, text, force=force)
    talk(f"Next: replace the guesses with what you measure, then run: leanmix check {file}")
