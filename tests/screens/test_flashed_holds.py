"""After an edit the screens say whether the table that was flashed still holds."""

from __future__ import annotations

from leanmix.machine import set_value
from leanmix.screens import Screens
from leanmix.screens.reckon import Reckoned
from tests.screens.desk import on_screen, opened, settled, until


def newest(desk: Screens) -> Reckoned:
    assert desk.done is not None
    return desk.done


async def test_an_edit_says_whether_the_flashed_table_still_holds() -> None:
    async with opened(view="board") as (desk, pilot):
        await settled(desk)
        assert newest(desk).held is None, "nothing was flashed yet"
        desk.ask_link("Opening", "open", "virtual")
        await until(lambda: desk.board.identity is not None, "opened")
        await pilot.press("g")
        await until(lambda: len(desk.screen_stack) > 1, "asked for the cautions")
        await pilot.press("enter")
        await until(lambda: desk.store.on_board is True, "flashed")
        desk.show_view("measure")
        desk.view.edited_elsewhere("side.shock.rate_N_per_mm")
        await pilot.press("plus")
        await until(lambda: newest(desk).held is not None, "proved again")
        await pilot.pause()
        held = newest(desk).held
        assert held is not None
        assert held.holds
        assert "proof still holds" in " ".join(on_screen(desk).split())
        # a servo that turns further on the same pulse: the table's caps now lie beyond the stops
        desk.store.change(set_value(desk.store.text, "servo.pulse_per_deg_us", 7.0), "servo")
        desk.edited()
        await until(
            lambda: (
                desk.done is not None
                and desk.done.serial == desk.store.serial
                and desk.done.held is not None
                and not desk.done.held.holds
            ),
            "no longer holds",
        )
        await pilot.pause()
        assert "proof no longer holds" in on_screen(desk)
        desk.action_findings()
        await pilot.pause()
        assert "flashed table" in on_screen(desk) or "flashed table" in str(desk.screen)
        desk.ask_link("Closing", "close")
        await until(lambda: desk.board.identity is None, "closed")
