"""`leanmix photo`: measure a machine on a picture, in the browser of this computer."""

from __future__ import annotations

import webbrowser
from pathlib import Path

import click

from leanmix.commands._common import load, machine_argument, save_out, talk
from leanmix.errors import FileTrouble

SEEN = ("front", "behind", "left", "right")


@click.command("photo")
@machine_argument
@click.argument("picture", metavar="[PICTURE]", type=click.Path(dir_okay=False), required=False)
@click.option("--view", type=click.Choice(["front", "side"]), default="front", show_default=True, help="Which view the picture shows.")  # fmt: skip
@click.option("--seen-from", type=click.Choice(SEEN), help="Where you stood: front or behind, for a side view left or right.")  # fmt: skip
@click.option("--card-mm", type=(float, float), metavar="WIDTH HEIGHT", help="What calipers say between the card's corner marks.")  # fmt: skip
@click.option("--card-tol-mm", type=float, default=0.3, show_default=True, help="How sure that is (95 %).")
@click.option("--length-mm", type=float, help="No card: a known length in the picture, its two ends to be clicked.")
@click.option("--behind-mm", type=float, default=0.0, show_default=True, help="How far the pins lie behind the card.")
@click.option("--behind-tol-mm", type=float, default=2.0, show_default=True, help="How sure that is (95 %).")
@click.option("--readings", type=click.Path(dir_okay=False), help="Readings file; without it, beside FILE.")
@click.option("--print-card", type=click.Path(dir_okay=False), metavar="OUT", help="Write the card to print (.svg, .pdf or .png), and stop.")  # fmt: skip
@click.option("--force", is_flag=True, help="With --print-card: write over a file that is there already.")
@click.option("--browser/--no-browser", default=True, help="Open the page, or only print its address.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port of the page; 0 for any free one.")
def command(
    file: str,
    picture: str | None,
    view: str,
    seen_from: str | None,
    card_mm: tuple[float, float] | None,
    card_tol_mm: float,
    length_mm: float | None,
    behind_mm: float,
    behind_tol_mm: float,
    readings: str | None,
    print_card: str | None,
    force: bool,
    browser: bool,
    port: int,
) -> None:
    """Click the points of FILE's machine on PICTURE; what comes of it joins its readings.

    Print the card first (--print-card card.pdf), stand it in the plane of the pins, and take the picture from a
    step back, square on, whole and not cropped. Then see: leanmix survey FILE

    Example: leanmix photo mine.toml front.jpg
    """
    if print_card is not None:
        save_out(print_card, _card(print_card), force=force)
        return
    if picture is None:
        raise click.UsageError("Give a PICTURE, or --print-card OUT.")
    source = load(file)
    from leanmix.survey import readings_path
    from leanmix.survey.photo import CARD_MM
    from leanmix.survey.photo.desk import Desk
    from leanmix.survey.photo.image import open_photograph
    from leanmix.survey.photo.server import serve

    _sensible(card_mm, card_tol_mm, length_mm, behind_mm, behind_tol_mm)
    seen = seen_from or ("front" if view == "front" else "left")
    if (seen in ("front", "behind")) != (view == "front"):
        raise click.UsageError(f"--seen-from {seen} does not go with a {view} view.")
    if readings is None and file.startswith("demo:"):
        raise click.UsageError("A demo machine has no place for readings: give --readings FILE.")
    desk = Desk(
        source.machine,
        open_photograph(picture),
        Path(readings) if readings else readings_path(file),
        view,
        seen in ("behind", "right"),
        card_mm or CARD_MM,
        card_tol_mm,
        length_mm,
        behind_mm,
        behind_tol_mm,
    )
    desk.opening()  # a broken readings file is said here, not in the browser
    try:
        page = serve(desk, port)
    except OSError as error:
        raise FileTrouble(f"port {port}: cannot be used ({error.strerror or error}).", "Leave --port away for a free one.") from error  # fmt: skip
    try:
        click.echo(page.address)
        talk("Open this address in a browser on this computer; it works until you press Done there, or Ctrl+C here.")
        if browser:
            webbrowser.open(page.address)
        page.wait()
        talk(_kept(desk.readings))
        talk(f"Next: leanmix survey {file}")
    except KeyboardInterrupt:
        talk(f"stopped; {_kept(desk.readings)}")
    finally:
        page.close()


def _kept(readings: Path) -> str:
    return f"what was clicked is kept in {readings}" if readings.exists() else "nothing was clicked"


def _sensible(card_mm: tuple[float, float] | None, card_tol: float, length: float | None, behind: float, behind_tol: float) -> None:  # fmt: skip
    for name, value, low, high in (
        *((("--card-mm", v, 10, 2000) for v in card_mm) if card_mm else ()),
        ("--card-tol-mm", card_tol, 0, 20),
        ("--length-mm", 10 if length is None else length, 1, 3000),
        ("--behind-mm", behind, -500, 500),
        ("--behind-tol-mm", behind_tol, 0, 500),
    ):
        if not low <= value <= high:
            raise click.UsageError(f"{name}: {value:g} is outside what is possible: {low:g} to {high:g} mm.")


def _card(path: str) -> bytes | str:
    from leanmix.drawing import to_png, to_svg
    from leanmix.survey.photo import card_drawing

    kind = Path(path).suffix.lower()
    if kind == ".svg":
        return to_svg(card_drawing())
    if kind == ".png":
        return to_png(card_drawing(), dpi=300)
    if kind == ".pdf":
        from leanmix.paper import to_pdf

        return to_pdf((card_drawing(),), "leanmix card", "Marks to measure on a picture")
    raise FileTrouble(f"{path}: the card is written as .svg, .pdf or .png.", "Choose one of these.")
