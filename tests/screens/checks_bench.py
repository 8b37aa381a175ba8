"""Checks of the actions of the bench walk."""

from __future__ import annotations

import pytest
from textual.pilot import Pilot

from leanmix.screens import Screens
from tests.screens.checks import Check
from tests.screens.checks_board import check_flash, on_board
from tests.screens.desk import on_screen, until


def at_bench(work: Check) -> Check:
    """A walk that has begun on a flashed virtual board."""

    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await on_board(flashed)(desk, pilot, "g")
        desk.show_view("bench")
        await pilot.press("enter")
        await until(lambda: desk.bench.question is not None, "the walk asked")
        try:
            await work(desk, pilot, key)
        finally:
            if desk.bench.builder is not None:
                desk.bench.builder.gone.set()
            await until(lambda: desk.bench.builder is None, "the walk ended")
            await until(lambda: not desk.board.busy, "the line is free")

    return check


async def flashed(desk: Screens, pilot: Pilot[None], key: str) -> None:
    if desk.store.on_board is not True:
        await check_flash(desk, pilot, key)


async def check_go_on(desk: Screens, pilot: Pilot[None], key: str) -> None:
    assert desk.bench.question is not None
    assert desk.bench.question.kind == "agree"
    await pilot.press(key)
    await pilot.pause()
    assert "Answer with y or n" in on_screen(desk), "Enter alone agrees to nothing"


async def check_yes(desk: Screens, pilot: Pilot[None], key: str) -> None:
    first = desk.bench.question
    await pilot.press(key)
    await until(lambda: desk.bench.question not in (None, first), "the next caution")
    assert desk.bench.builder is not None


async def check_no(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await until(lambda: desk.bench.builder is None, "no walk without the cautions")
    assert "does not begin before this is so" in desk.bench.why


async def check_stop(desk: Screens, pilot: Pilot[None], key: str) -> None:
    assert desk.bench.builder is not None
    await pilot.press(key)
    assert desk.bench.builder.stop.is_set()


async def check_end_walk(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await until(lambda: desk.bench.builder is None, "ended")
    assert "was ended" in desk.bench.why


async def check_fit_readings(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await with_readings(desk)
    await pilot.press(key)
    await until(lambda: desk.bench.fit is not None, "held against the file")
    await pilot.pause()
    assert "What the readings say" in on_screen(desk)


async def check_take_in(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await check_fit_readings(desk, pilot, "g")
    assert desk.bench.changes
    edits = desk.store.edits
    await pilot.press(key)
    assert desk.store.edits == edits + 1, "one edit, however many numbers"
    assert desk.store.good.machine.servo.pulse_per_deg_us.at == pytest.approx(9.5, abs=0.15)
    desk.action_undo()
    assert desk.store.good.machine.servo.pulse_per_deg_us.at == 10.2


async def with_readings(desk: Screens) -> None:
    """Arm angles as a servo of 9.5 µs a degree gives them, where the file has 10.2."""
    from leanmix.journal import Journal, Reading

    with Journal.open() as journal:
        for pulse in range(1200, 1801, 100):
            for side, sign in (("left", 1), ("right", -1)):
                angle = sign * (pulse - 1500) / 9.5
                for approach in ("longer", "shorter"):
                    reading = Reading(
                        "arm_deg", angle, 0.3, "protractor", side, float(pulse), approach, "jogged", "walk 1"
                    )
                    journal.record_reading(reading, source=desk.store.good)
    desk.show_view("bench")


BENCH: dict[tuple[str, str], Check] = {
    ("bench", "go_on"): at_bench(check_go_on),
    ("bench", "say_yes"): at_bench(check_yes),
    ("bench", "say_no"): at_bench(check_no),
    ("bench", "stop_now"): at_bench(check_stop),
    ("bench", "end_walk"): at_bench(check_end_walk),
    ("bench", "fit_readings"): check_fit_readings,
    ("bench", "take_in"): check_take_in,
}
