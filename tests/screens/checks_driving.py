"""Checks of the actions of Tip and Drive."""

from __future__ import annotations

from textual.pilot import Pilot

from leanmix.screens import Screens
from tests.screens.checks import Check, shows_next
from tests.screens.checks_measuring import check_fastest
from tests.screens.desk import on_screen, settled, until


async def check_other_turn(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.show_view("tip")
    await settled(desk)
    await until(lambda: "full lean in" in on_screen(desk), "tip limits")
    before = on_screen(desk)
    await pilot.press(key)
    await pilot.pause()
    turned = {"Turning left": "Turning right", "Turning right": "Turning left"}
    was = next(t for t in turned if t in before)
    assert turned[was] in on_screen(desk)


async def check_what_buys(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.show_view("tip")
    await settled(desk)
    await pilot.press(key)
    assert desk.view._list  # type: ignore[attr-defined]
    await until(lambda: desk.view._worth is not None, "what buys most")  # type: ignore[attr-defined]
    await pilot.pause()
    assert "limiter strap" in on_screen(desk)


def in_drive(work: Check) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view("drive")
        view = desk.view
        view._at, view._speed, view._ground = 1, None, 0  # type: ignore[attr-defined]
        await work(desk, pilot, key)

    return check


def drives(attribute: str, value: object) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert getattr(desk.view, attribute) == value

    return in_drive(check)


async def check_drive(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await settled(desk)
    desk.view._at = 0  # type: ignore[attr-defined]
    await pilot.press(key)
    await until(lambda: desk.view._report is not None, "driven", 60)  # type: ignore[attr-defined]
    await pilot.pause()
    text = on_screen(desk)
    assert "Tarn without lean" in text
    assert "lean behind wheel" in text


DRIVING: dict[tuple[str, str], Check] = {
    ("drive", "fastest"): in_drive(check_fastest),
    ("tip", "other_turn"): check_other_turn,
    ("tip", "list"): check_what_buys,
    ("tip", "show_next"): shows_next("tip", "_ground"),
    ("drive", "next_manoeuvre(1)"): drives("_at", 2),
    ("drive", "next_manoeuvre(-1)"): drives("_at", 0),
    ("drive", "faster(1)"): in_drive(shows_next("drive", "_speed")),
    ("drive", "faster(-1)"): in_drive(shows_next("drive", "_speed")),
    ("drive", "ground"): drives("_ground", 1),
    ("drive", "show_next"): shows_next("drive", "_chart"),
    ("drive", "drive"): in_drive(check_drive),
}
