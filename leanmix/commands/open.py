"""`leanmix open`: the screens."""

from __future__ import annotations

import sys

import click

from leanmix.commands._completion import MACHINE
from leanmix.errors import LeanmixError


@click.command("open")
@click.argument("file", metavar="[FILE]", type=MACHINE, required=False)
@click.option("--view", default="measure", metavar="VIEW", help="View to begin with: measure, fit, limits, lean, …")
def command(file: str | None, view: str) -> None:
    """Open FILE on the screens: the machine leaning under the arrow keys, every number, the board.

    Without FILE it begins with the machine opened last, or with a tour on a demo machine.

    Example: leanmix open demo:tarn
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise LeanmixError("The screens need a terminal.", "Every other command works without one: leanmix --help")
    from leanmix.screens import Screens
    from leanmix.screens.actions import VIEWS
    from leanmix.screens.recent import recent_files

    names = [v.name for v in VIEWS]
    if view not in names:
        raise LeanmixError(f"{view!r}: there is no such view.", f"There are: {', '.join(names)}.")
    lately = recent_files()
    name = file or (lately[0] if lately else "demo:tarn")
    app = Screens(name, greet=True, first_walk=file is None and not lately, view=view)
    app.run()
    if app.fault is not None:
        raise app.fault
