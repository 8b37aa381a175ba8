"""Panes send only rows that changed: what stands on the screen must be what was painted last, all the same."""

from __future__ import annotations

import pytest

from leanmix.screens.actions import VIEWS
from leanmix.screens.sheet import Sheet
from tests.screens.desk import WIDE, opened, screen_rows

KEYS = ("right", "right", "+", "down", "[", "u", "left", "end", "]", "home", "-", "up", "u", "space", "escape")


@pytest.mark.parametrize("first", [v.name for v in VIEWS][::3])
async def test_the_screen_shows_what_was_painted_last(first: str) -> None:
    async with opened(size=WIDE, view=first) as (desk, pilot):
        for view in (first, "measure", first):
            desk.show_view(view)
            for key in KEYS:
                await pilot.press(key)
                await pilot.pause()
                rows = screen_rows(desk)
                for sheet in desk.screen_stack[0].query(Sheet):
                    if sheet.display and sheet.region and len(desk.screen_stack) == 1:
                        box, grid = sheet.region, sheet.painted()
                        for y in range(grid.rows):
                            shown = rows[box.y + y].ljust(WIDE[0])[box.x : box.right]
                            assert shown == grid.row_text(y), f"{view}, {key}: row {y} of {type(sheet).__name__}"


async def test_a_row_that_stays_is_not_sent_again() -> None:
    async with opened(size=WIDE, view="measure") as (desk, pilot):
        await pilot.pause()
        sheet = desk.view
        sheet.painted()
        before = list(sheet._strips or ())
        sheet.repaint()
        await pilot.pause()
        after = list(sheet._strips or ())
        assert all(a is b for a, b in zip(before, after, strict=True))
        await pilot.press("down")
        await pilot.pause()
        moved = [a is not b for a, b in zip(after, sheet._strips or (), strict=True)]
        assert 1 <= sum(moved) < len(moved) / 2
