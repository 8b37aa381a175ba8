"""What checks of actions share."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from textual.pilot import Pilot

from leanmix.screens import Screens

Check = Callable[[Screens, Pilot[None], str], Awaitable[None]]

RADIUS = "side.arm.radius_mm"


def radius(desk: Screens) -> float:
    return desk.store.good.machine.left.arm.radius_mm.at


async def nudged(desk: Screens, pilot: Pilot[None]) -> None:
    """One edit, to have something to undo."""
    desk.show_view("measure")
    desk.view.edited_elsewhere(RADIUS)
    await pilot.press("plus")
    assert radius(desk) == 15.1


async def box(desk: Screens, pilot: Pilot[None], kind: type) -> None:
    await pilot.pause()
    assert isinstance(desk.screen, kind), desk.screen


async def close(desk: Screens, pilot: Pilot[None]) -> None:
    while len(desk.screen_stack) > 1:
        await pilot.press("escape")
        await pilot.pause()


def shows_next(view: str, attribute: str) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view(view)
        await pilot.pause()
        before = getattr(desk.view, attribute)
        await pilot.press(key)
        assert getattr(desk.view, attribute) != before

    return check
