"""Checks of the actions of Survey, Weigh, and Drive's fastest pass, for the table in test_actions."""

from __future__ import annotations

import pytest
from textual import events
from textual.pilot import Pilot

from leanmix.response import MANOEUVRES
from leanmix.screens import Screens
from tests.screens.checks import Check
from tests.screens.desk import on_screen, settled, until


async def typed(desk: Screens, pilot: Pilot[None], text: str) -> None:
    """Type characters as a terminal sends them."""
    for c in text:
        desk.post_message(events.Key({" ": "space", ".": "full_stop", "±": "plus_minus_sign"}.get(c, c), c))
    await pilot.pause()


def kinds(desk: Screens) -> list[str]:
    assert desk.store.readings is not None
    return [r.kind for r in desk.store.readings.read(desk.store.good).survey.readings]


def in_survey(work: Check, at: int = 0) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view("survey")
        view = desk.view
        view._at, view._page, view._ask = at, 0, 0  # type: ignore[attr-defined]
        await pilot.pause()
        await work(desk, pilot, key)

    return check


def goes_to(start: int, end: int) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert desk.view._at == end  # type: ignore[attr-defined]

    return in_survey(check, start)


async def check_type_reading(desk: Screens, pilot: Pilot[None], key: str) -> None:
    before = len(kinds(desk))
    await pilot.press(key)
    await typed(desk, pilot, "pins J K 90.1 ± 0.3")
    assert len(kinds(desk)) == before
    await pilot.press("enter")
    await pilot.pause()
    assert len(kinds(desk)) == before + 1
    assert "The rest say" in on_screen(desk)
    assert "disagrees" in on_screen(desk), "5 mm beside what is there already"
    await pilot.press("escape")
    desk.action_undo()
    assert len(kinds(desk)) == before
    # the chosen one anew
    desk.view._at = 3  # type: ignore[attr-defined]
    await pilot.press(key, "ctrl+u")
    await typed(desk, pilot, "height J 1.5")
    await pilot.press("enter")
    assert len(kinds(desk)) == before
    assert kinds(desk)[2] == "height"


async def check_type_next(desk: Screens, pilot: Pilot[None], key: str) -> None:
    view = desk.view
    await until(lambda: bool(view._advice), "advice")  # type: ignore[attr-defined]
    advised = view._advice[0].reading  # type: ignore[attr-defined]
    await pilot.press(key)
    await typed(desk, pilot, f"{advised.reads:.1f}")
    await pilot.press("enter", "escape")
    assert desk.store.readings is not None
    last = desk.store.readings.read(desk.store.good).survey.readings[-1]
    assert (last.kind, last.points) == (advised.kind, advised.points)
    await until(lambda: view._advice and view._advice[0].reading.points != advised.points, "other advice")  # type: ignore[attr-defined]


async def check_ask_other(desk: Screens, pilot: Pilot[None], key: str) -> None:
    view = desk.view
    await until(lambda: bool(view._advice), "advice")  # type: ignore[attr-defined]
    await pilot.press(key, key)
    await until(lambda: bool(view._advice), "advice on lean")  # type: ignore[attr-defined]
    await pilot.pause()
    assert "lean half way there" in on_screen(desk)


async def check_pages(desk: Screens, pilot: Pilot[None], key: str) -> None:
    wanted = ("how sure", "from in front", "What moved", "type a reading")
    for words in wanted:
        await pilot.press(key)
        await pilot.pause()
        assert words in on_screen(desk)


async def check_set_aside(desk: Screens, pilot: Pilot[None], key: str) -> None:
    def aside() -> bool:
        assert desk.store.readings is not None
        return desk.store.readings.read(desk.store.good).survey.readings[1].aside

    await pilot.press(key)
    assert aside()
    await pilot.pause()
    assert "Left out by you" in on_screen(desk)
    await pilot.press(key)
    assert not aside()


async def check_remove(desk: Screens, pilot: Pilot[None], key: str) -> None:
    before = kinds(desk)
    await pilot.press(key)
    assert len(kinds(desk)) == len(before) - 1
    desk.action_undo()
    assert kinds(desk) == before


async def check_survey_in(desk: Screens, pilot: Pilot[None], key: str) -> None:
    view = desk.view
    edits, text = desk.store.edits, desk.store.text
    await pilot.press(key)
    assert desk.store.edits == edits + 1, "one edit, however many numbers"
    ball = desk.store.good.machine.left.mount.ball
    assert ball.out.tol is not None
    assert ball.up.at == pytest.approx(136.1, abs=0.02), "the file had 136"
    await until(lambda: view._moved is not None, "what moved", 60)  # type: ignore[attr-defined]
    await pilot.pause()
    assert "first block leaning left" in on_screen(desk)
    assert "No table was flashed" in on_screen(desk)
    desk.action_undo()
    assert desk.store.text == text


def in_weigh(work: Check, at: int = 0, given: dict[str, float] | None = None) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        from leanmix.machine import Measured

        desk.show_view("weigh")
        view = desk.view
        view._at = at  # type: ignore[attr-defined]
        view._readings = {k: Measured(v) for k, v in (given or {}).items()}  # type: ignore[attr-defined]
        view.repaint()
        await pilot.pause()
        await work(desk, pilot, key)

    return check


SCALES = {"left_g": 610.0, "right_g": 605.0, "rear_g": 1685.0, "tilt_deg": 40.0}


def weigh_goes(start: int, end: int) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert desk.view._at == end  # type: ignore[attr-defined]

    return in_weigh(check, start)


async def check_weigh_type(desk: Screens, pilot: Pilot[None], key: str) -> None:
    for text in ("610", "605 ± 2", "1685"):
        await pilot.press(key, "ctrl+u")
        await typed(desk, pilot, text)
        await pilot.press("enter")
    await pilot.pause()
    assert "2900.0 ± 7.3 g" in on_screen(desk)
    assert "168.5 ± 4.7 mm" in on_screen(desk)


async def check_weigh_leave_out(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await pilot.pause()
    assert "still to read: " in on_screen(desk)


async def check_weigh_in(desk: Screens, pilot: Pilot[None], key: str) -> None:
    edits, text = desk.store.edits, desk.store.text
    await pilot.press(key)
    assert desk.store.edits == edits + 1
    chassis = desk.store.good.machine.chassis
    assert (chassis.mass_g.at, chassis.mass_g.source, chassis.cg_up_mm.source) == (2900, "scales", "tilt")
    assert chassis.cg_up_mm.tol == pytest.approx(4.0, abs=0.1)
    await until(lambda: desk.view._moved is not None, "what moved", 60)  # type: ignore[attr-defined]
    await pilot.pause()
    assert "tips turning left" in on_screen(desk)
    desk.action_undo()
    assert desk.store.text == text


async def check_fastest(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await settled(desk)
    view = desk.view
    view._at, view._report = 0, None  # type: ignore[attr-defined]
    await pilot.press(key)
    assert "no pass that could be fastest" in desk.said
    # one that takes long, to end it under way; then one that is soon done
    view._at = MANOEUVRES.index("slalom")  # type: ignore[attr-defined]
    await pilot.press(key)
    await until(lambda: view._search is not None and view._search.done > 0, "runs driven", 60)  # type: ignore[attr-defined]
    await pilot.press(key)
    assert not view.working
    await pilot.pause()
    assert "was ended" in desk.said
    await until(lambda: all(w.is_finished for w in desk.workers), "the search let go", 60)
    await pilot.pause()
    assert view._report is None, "what was cut short is no answer"  # type: ignore[attr-defined]
    view._at = MANOEUVRES.index("flick")  # type: ignore[attr-defined]
    await pilot.press(key)
    await until(lambda: view._report is not None, "the fastest pass", 120)  # type: ignore[attr-defined]
    await pilot.pause()
    assert "fastest pass" in on_screen(desk)
    assert "m/s" in on_screen(desk)


MEASURING: dict[tuple[str, str], Check] = {
    ("survey", "move(-1)"): goes_to(5, 4),
    ("survey", "move(1)"): goes_to(0, 1),
    ("survey", "move(-10)"): goes_to(12, 2),
    ("survey", "move(10)"): goes_to(0, 10),
    ("survey", "type_reading"): in_survey(check_type_reading),
    ("survey", "type_next"): in_survey(check_type_next),
    ("survey", "ask_other"): in_survey(check_ask_other),
    ("survey", "show_next"): in_survey(check_pages),
    ("survey", "set_aside"): in_survey(check_set_aside, 2),
    ("survey", "remove"): in_survey(check_remove, 4),
    ("survey", "take_in"): in_survey(check_survey_in),
    ("weigh", "move(-1)"): weigh_goes(3, 2),
    ("weigh", "move(1)"): weigh_goes(0, 1),
    ("weigh", "type_reading"): in_weigh(check_weigh_type),
    ("weigh", "leave_out"): in_weigh(check_weigh_leave_out, 1, SCALES),
    ("weigh", "take_in"): in_weigh(check_weigh_in, 0, SCALES),
}
