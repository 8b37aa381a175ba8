"""`leanmix sheet`: the build sheet and templates on paper."""

from __future__ import annotations

from pathlib import Path

import click

from leanmix.commands._common import load, machine_argument, save_out, talk


@click.command("sheet")
@machine_argument
@click.option("-o", "--out", metavar="FILE", required=True,
              help="sheet.pdf for all pages in one; .svg or .png for a file a page; .json for every figure.")  # fmt: skip
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Size of the paper."
)
@click.option("--part", type=click.Choice(["all", "sheet", "templates"]), default="all", show_default=True,
              help="Only the sheet, or only the templates to size.")  # fmt: skip
@click.option("--dpi", type=click.IntRange(30, 600), default=150, show_default=True, help="For .png.")
@click.option("--force", is_flag=True, help="Write over files that are there already.")
def command(file: str, out: str, paper: str, part: str, dpi: int, force: bool) -> None:
    """Write what to take to the bench: links and rods to cut, screws, fits, caps, stops, curve; templates 1:1.

    Example: leanmix sheet demo:tarn -o tarn.pdf
    """
    from leanmix.drawing import to_png, to_svg
    from leanmix.job import work_out
    from leanmix.paper import PAPERS, everything_json, facts_of, sheet_pages, template_pages, to_pdf

    suffix = Path(out).suffix.lower()
    if suffix not in (".pdf", ".svg", ".png", ".json"):
        raise click.UsageError(f"{out}: end the name in .pdf, .svg, .png or .json.")
    facts = facts_of(work_out(load(file)))
    name = facts.source.machine.name
    for words in facts.missing:
        talk(f"note: {words}")
    if suffix == ".json":
        save_out(out, everything_json(facts), force=force)
        return
    pages = sheet_pages(facts, PAPERS[paper]) if part != "templates" else ()
    pages += template_pages(facts, PAPERS[paper]) if part != "sheet" else ()
    if suffix == ".pdf":
        digest = facts.source.digest.hex()
        save_out(out, to_pdf(pages, f"{name}: build sheet", f"machine file SHA-256 {digest}"), force=force)
    else:
        stem = out[: -len(suffix)]
        for number, page in enumerate(pages, start=1):
            data = to_svg(page) if suffix == ".svg" else to_png(page, dpi)
            save_out(f"{stem}-{number:02d}{suffix}", data, force=force)
    if part != "sheet":
        talk("Print at 100 %, not fitted to the page, and read the check line before drilling.")
