"""`leanmix man`: the manual page, out of the same words as the help."""

from __future__ import annotations

from typing import cast

import click

from leanmix.commands._common import save_out
from leanmix.commands._manual import manual


@click.command("man")
@click.option("-o", "--out", metavar="FILE", help="Write it to this file instead of printing it.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
def command(out: str | None, force: bool) -> None:
    """Print the manual page: every command, option and exit status, out of the same words as the help.

    To read it at once: leanmix man | man -l -

    Example: leanmix man -o leanmix.1
    """
    text = manual(cast("click.Group", click.get_current_context().find_root().command))
    if out is None:
        click.echo(text, nl=False)
    else:
        save_out(out, text, force=force)
