"""The screens without a terminal, for tests: opened, settled, and driven by keys."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from textual.pilot import Pilot

from leanmix.screens import Screens
from leanmix.screens.sheet import Sheet

Size = tuple[int, int]

SMALL: Size = (80, 24)
WIDE: Size = (120, 40)
VAST: Size = (200, 60)


async def until(wanted: Callable[[], bool], what: str, seconds: float = 30.0) -> None:
    """Wait for something that must come; a test fails that waits in vain."""
    for _ in range(int(seconds / 0.01)):
        if wanted():
            return
        await asyncio.sleep(0.01)
    raise AssertionError(f"in vain: {what}")


async def settled(desk: Screens) -> None:
    """Everything about the present text is worked out, table and proof too."""

    def there() -> bool:
        done = desk.done
        if not desk.store.usable:
            return True
        return done is not None and done.serial == desk.store.serial and bool(done.checks or done.troubles)

    await until(there, "the machine worked out")


async def quick(desk: Screens) -> None:
    """Ladder and curve of the present text are there."""
    await until(
        lambda: not desk.store.usable or (desk.done is not None and desk.done.serial == desk.store.serial),
        "quick results",
    )


@asynccontextmanager
async def opened(
    name: str = "demo:tarn", size: Size = WIDE, view: str = "measure"
) -> AsyncIterator[tuple[Screens, Pilot[None]]]:
    """The screens on a machine."""
    desk = Screens(name, view=view)
    try:
        async with desk.run_test(size=size) as pilot:
            await quick(desk)
            await pilot.pause()
            yield desk, pilot
    finally:
        desk.store.close()


def screen_rows(desk: Screens) -> list[str]:
    """What is on the screen as text, with what waits to be painted."""
    for sheet in desk.screen_stack[0].query(Sheet):
        if sheet.display:
            sheet.catch_up()
    strips = desk.screen_stack[0]._compositor.render_strips()
    return ["".join(segment.text for segment in strip).rstrip() for strip in strips]


def on_screen(desk: Screens) -> str:
    """All of it in one."""
    return "\n".join(screen_rows(desk))
