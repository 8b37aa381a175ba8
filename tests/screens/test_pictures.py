"""Every view as it is seen, held against what was looked at and found good: at 80 × 24, 120 × 40, and without colour.

The pictures are the characters alone (and, without colour, how each is dressed), so that they do not hang on the
library's version. After a change that is meant: LEANMIX_PICTURES=write, and look at the difference.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from leanmix.screens import Screens
from leanmix.screens.actions import VIEWS
from tests.screens.desk import SMALL, WIDE, opened, screen_rows, settled, until

FOLDER = Path(__file__).parent / "pictures"
WRITE = os.environ.get("LEANMIX_PICTURES") == "write"


async def ready(desk: Screens, view: str) -> None:
    """The view with all that it works out aside."""
    desk.show_view(view)
    await settled(desk)
    if view == "survey":
        await until(lambda: bool(desk.view._advice), "advice")  # type: ignore[attr-defined]
    if view == "tip":
        await until(lambda: _tip_is_painted("\n".join(screen_rows(desk))), "tip limits and what buys most")


def _tip_is_painted(shown: str) -> bool:
    # the chart's heading is of this view, not of the one before
    return "tips at, g" in shown and "being worked out" not in shown


def held_against(name: str, rows: list[str]) -> None:
    # digits follow the model, which has its own tests; the picture is of words, lines and places
    text = "\n".join(rows) + "\n"
    file = FOLDER / f"{name}.txt"
    if WRITE:
        FOLDER.mkdir(exist_ok=True)
        file.write_text(text, encoding="utf-8")
    assert file.exists(), f"no picture {name}: look at it, then LEANMIX_PICTURES=write"
    kept = file.read_text(encoding="utf-8")
    if _bare(text) != _bare(kept):
        pairs = list(zip(text.splitlines(), kept.splitlines(), strict=False))
        off = [f"now  {a}\nkept {b}" for a, b in pairs if _bare(a) != _bare(b)]
        raise AssertionError(f"{name} looks different in {len(off)} rows:\n" + "\n".join(off[:12]))


def _bare(text: str) -> str:
    """Without what the model's last digits may move: figures, dots of the drawings, and the blanks they push about."""
    text = re.sub(r"[⠀-⣿●○◆◇⊕▿█▏▎▍▌▋▊▉·]+", " ", text)
    text = re.sub(r"[−+-]?\d+(?:[.,]\d+)*", "0", text)
    return "\n".join(" ".join(line.split()) for line in text.splitlines())


@pytest.mark.parametrize(("size", "label"), [(SMALL, "80x24"), (WIDE, "120x40")])
async def test_views_look_as_they_were_looked_at(size: tuple[int, int], label: str) -> None:
    async with opened(size=size) as (desk, pilot):
        desk.steer_to(0.3)
        for view in VIEWS:
            await ready(desk, view.name)
            await pilot.pause()
            held_against(f"{view.name}-{label}", screen_rows(desk))


async def test_views_without_colour_are_told_apart_by_weight(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with opened(size=SMALL) as (desk, pilot):
        desk.steer_to(0.3)
        for view in VIEWS:
            await ready(desk, view.name)
            await pilot.pause()
            rows = []
            for strip in desk.screen._compositor.render_strips():
                row = ""
                for segment in strip:
                    style = segment.style
                    marks = "" if style is None else "".join(
                        m for m, on in (("*", style.bold), ("_", style.underline), ("!", style.reverse), ("~", style.dim)) if on
                    )  # fmt: skip
                    text = segment.text
                    row += f"{marks}⟨{text.strip()}⟩" if marks and text.strip() else text
                rows.append(row.rstrip())
            held_against(f"{view.name}-mono", rows)


async def test_figures_on_the_screen_carry_their_units() -> None:
    """Every number in the foot bar stands beside a unit, a degree sign, a percent sign or the word left, right or of."""
    async with opened(size=WIDE) as (desk, pilot):
        for steer in (0.0, 0.37, -1.0):
            desk.steer_to(steer)
            desk.store.turn_at(0.25)
            desk.follow()
            await pilot.pause()
            for row in screen_rows(desk)[-4:-1]:
                for found in re.finditer(r"(?<![A-Za-z\d.])\d+(?:\.\d+)?", row):
                    after = row[found.end() : found.end() + 8]
                    assert re.match(r"°| ?%| g\b| µs| N| mm", after), f"{found.group()}{after} in: {row}"
