"""Checks of the actions that are there in every view."""

from __future__ import annotations

import pytest
from textual.pilot import Pilot

from leanmix.screens import Screens
from leanmix.screens.boxes import AskBox, ListBox, TextBox
from leanmix.screens.walk import WalkPane
from tests.screens.checks import Check, box, nudged, radius
from tests.screens.desk import on_screen, until


def steers(start: float, end: float) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.steer_to(start)
        before = desk.now
        await pilot.press(key)
        assert desk.store.position.steer == pytest.approx(end)
        assert desk.now is not before

    return check


def turns(start: float, end: float) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.steer_to(0.5)
        desk.store.turn_at(start)
        await pilot.press(key)
        assert desk.store.position.turn_g == pytest.approx(end)
        assert desk.now is not None
        assert desk.now.stance is not None
        assert float(desk.now.stance.lateral_g) == pytest.approx(end)

    return check


async def check_sweep(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.steer_to(0.0)
    await pilot.press(key)
    await until(lambda: abs(desk.store.position.steer) > 0.06, "the sweep moved")
    await pilot.press(key)
    here = desk.store.position.steer
    await pilot.pause(0.2)
    assert desk.store.position.steer == here, "the same key ends it"


async def check_undo(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await nudged(desk, pilot)
    await pilot.press(key)
    assert radius(desk) == 15.0
    assert not desk.store.unsaved


async def check_redo(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await nudged(desk, pilot)
    desk.action_undo()
    await pilot.press(key)
    assert radius(desk) == 15.1


async def check_save(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await box(desk, pilot, AskBox)  # a demo has no file: it asks for a name


async def check_open(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await box(desk, pilot, ListBox)
    await pilot.press(*"wre", "enter")
    await pilot.pause()
    assert desk.store.good.machine.name == "Wren"
    desk.open_named("demo:tarn")


async def check_compare(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await box(desk, pilot, ListBox)
    await pilot.press(*"mos", "enter")
    await pilot.pause()
    assert desk.compared is not None
    assert desk.compared.source.machine.name == "Moss"
    assert "beside Moss" in on_screen(desk)
    await pilot.press(key)
    assert desk.compared is None


async def check_findings(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.show_view("measure")
    field = desk.store.field("chassis.cg_up_mm")
    assert field is not None
    desk.store.put(field, 300.0)  # above the roof: odd
    desk.edited()
    await pilot.press(key)
    await box(desk, pilot, ListBox)
    await pilot.press(*"roof", "enter")
    await pilot.pause()
    assert desk.view_name == "measure"
    chosen = desk.view.chosen()  # type: ignore[attr-defined]
    assert chosen.key == "chassis.cg_up_mm"


async def check_picture(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await box(desk, pilot, ListBox)


async def check_scene(desk: Screens, pilot: Pilot[None], key: str) -> None:
    main = desk.screen_stack[0]
    await pilot.press(key)
    assert not main.query_one("#scene").display
    await pilot.press(key)
    assert main.query_one("#scene").display
    assert not main.query_one("#view").display
    await pilot.press(key)
    assert main.query_one("#scene").display
    assert main.query_one("#view").display


async def check_look(desk: Screens, pilot: Pilot[None], key: str) -> None:
    before = desk.theme
    await pilot.press(key)
    assert desk.theme != before
    desk.theme = before


async def check_walk(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await pilot.pause()
    assert "Tour 1 of" in on_screen(desk)
    await pilot.press(key)
    assert desk.screen_stack[0].query_one(WalkPane).step == -1


async def check_list(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.steer_to(0.0)
    await pilot.press(key)
    await box(desk, pilot, ListBox)
    await pilot.press(*"ll le", "enter")
    await pilot.pause()
    assert desk.store.position.steer == 1.0, "what is chosen in the list is done"


async def check_help(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await box(desk, pilot, TextBox)


async def check_leave(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await nudged(desk, pilot)
    await pilot.press(key)
    await box(desk, pilot, ListBox)
    assert desk._exit is False, "not before the question is answered"


ANYWHERE: dict[tuple[str, str], Check] = {
    ("", "steer(0.05)"): steers(0.0, 0.05),
    ("", "steer(-0.05)"): steers(0.0, -0.05),
    ("", "steer(0.005)"): steers(0.0, 0.005),
    ("", "steer(-0.005)"): steers(0.0, -0.005),
    ("", "lock(1)"): steers(0.0, 1.0),
    ("", "lock(-1)"): steers(0.0, -1.0),
    ("", "centre"): steers(0.7, 0.0),
    ("", "turn(0.05)"): turns(0.1, 0.15),
    ("", "turn(-0.05)"): turns(0.1, 0.05),
    ("", "sweep"): check_sweep,
    ("", "undo"): check_undo,
    ("", "redo"): check_redo,
    ("", "save"): check_save,
    ("", "save_as"): check_save,
    ("", "open"): check_open,
    ("", "compare"): check_compare,
    ("", "findings"): check_findings,
    ("", "picture"): check_picture,
    ("", "scene"): check_scene,
    ("", "look"): check_look,
    ("", "walk"): check_walk,
    ("", "actions"): check_list,
    ("", "help"): check_help,
    ("", "leave"): check_leave,
}
