"""`leanmix share`: a whole build in one zip, and a stranger's build looked at safely."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from leanmix.commands._common import console, emit_json, json_option, load, machine_argument, save_out, talk
from leanmix.commands._completion import MACHINE
from leanmix.machine import read_file

if TYPE_CHECKING:
    from leanmix.paper import Difference, SharedBuild


@click.group("share")
def command() -> None:
    """Pack a build into one zip, or look at one that somebody else packed.

    Example: leanmix share make demo:tarn -o tarn.zip"""


@command.command("make")
@machine_argument
@click.option("-o", "--out", metavar="ZIP", required=True, help="Where to write the zip.")
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="For the sheets in it."
)
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
def make(file: str, out: str, paper: str, force: bool) -> None:
    """Pack machine file, sheet, templates, table, pictures, CAD drawings and a page that says what it is.

    Example: leanmix share make demo:tarn -o tarn.zip
    """
    from leanmix.job import work_out
    from leanmix.paper import PAPERS, build_files, facts_of, pack_build

    facts = facts_of(work_out(load(file)))
    for words in facts.missing:
        talk(f"note: {words}")
    save_out(out, pack_build(facts.source, build_files(facts, PAPERS[paper])), force=force)


@command.command("open")
@click.argument("zip_file", metavar="ZIP")
@click.option("--beside", metavar="FILE", type=MACHINE, help="Machine at hand: show what differs from it.")
@click.option("--save", metavar="FILE", help="Save its machine file there; nothing else is ever unpacked.")
@click.option("--force", is_flag=True, help="Write over a file that is there already.")
@json_option
def open_(zip_file: str, beside: str | None, save: str | None, force: bool, as_json: bool) -> None:
    """Check a build somebody sent, show what is in it and how it differs from the machine at hand.

    Example: leanmix share open tarn.zip --beside mine.toml
    """
    from leanmix.paper import ZIP_BYTES_MAX, differences, open_build

    most = f"{ZIP_BYTES_MAX >> 20} MiB"
    data = read_file(zip_file, ZIP_BYTES_MAX, most, "A build to share is a few MiB.")
    build = open_build(data, zip_file)
    found = None if beside is None else differences(load(beside), build.source)
    if as_json:
        emit_json("share", _payload(build, found), build.source)
    else:
        _show(build, found, beside)
    if save is not None:
        save_out(save, build.source.text, force=force)


def _payload(build: SharedBuild, found: tuple[Difference, ...] | None) -> dict[str, Any]:
    return {
        "written_by": build.tool,
        "files": build.files,
        "table": build.image is not None,
        "differences": None if found is None else list(found),
    }


def _show(build: SharedBuild, found: tuple[Difference, ...] | None, beside: str | None) -> None:
    from rich.table import Table

    out = console()
    m = build.source.machine
    name = "".join(c for c in m.name if c.isprintable())
    out.print(f"{name}: {m.runner.kind}s in front, {m.rear.kind} behind", markup=False)
    out.print(f"written by {build.tool}; every file is what its list of contents says", markup=False)
    for file, size in sorted(build.files.items()):
        out.print(f"  {file:<26}{size:>9} bytes", markup=False)
    if build.image is not None:
        out.print(
            "Its table was made from its machine file. It is for that machine only and is never flashed from here."
        )
    if found is None:
        return
    if not found:
        out.print(f"No difference to {beside}.", markup=False)
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("what differs", f"in {beside}", "in the zip", "unit"):
        table.add_column(title)
    for d in found:
        table.add_row(d.key, _short(d.mine), _short(d.theirs), d.unit)
    out.print(table)


def _short(text: str) -> str:
    return (text if len(text) <= 40 else f"{text[:39]}…") or "–"
