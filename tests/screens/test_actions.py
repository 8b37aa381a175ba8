"""Every action by its own keys: each key of the table does what the table says, and nothing in the table is without a test."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.pilot import Pilot

from leanmix.screens import Screens
from leanmix.screens.actions import ACTIONS, VIEWS, Act
from tests.screens.checks import Check, close
from tests.screens.checks_anywhere import ANYWHERE
from tests.screens.checks_bench import BENCH
from tests.screens.checks_board import BOARD
from tests.screens.checks_driving import DRIVING
from tests.screens.checks_measuring import MEASURING
from tests.screens.checks_shaping import SHAPING
from tests.screens.desk import opened, quick

CHECKS: dict[tuple[str, str], Check] = {**ANYWHERE, **MEASURING, **SHAPING, **DRIVING, **BOARD, **BENCH}


def test_no_action_is_without_a_check() -> None:
    assert {(a.where, a.name) for a in ACTIONS} == set(CHECKS)


def test_no_key_does_two_things_in_one_place() -> None:
    everywhere = [k for a in ACTIONS if not a.where for k in a.keys] + [k for v in VIEWS for k in v.keys]
    assert len(everywhere) == len(set(everywhere))
    for view in VIEWS:
        own = [k for a in ACTIONS if a.where == view.name for k in a.keys]
        assert len(own) == len(set(own))
        assert not set(own) & set(everywhere), view.name


async def fresh(desk: Screens, pilot: Pilot[None]) -> None:
    """Back to how it was opened, without the cost of opening again."""
    await close(desk, pilot)
    if desk.store.edits or desk.store.name != "demo:tarn" or desk.store.unsaved:
        desk.open_named("demo:tarn")
    desk.compare_with(None)
    desk.quiet()
    desk.steer_to(0.0)
    desk.store.turn_at(0.0)
    await quick(desk)
    await pilot.pause()


@pytest.mark.parametrize("where", ["", *sorted({a.where for a in ACTIONS} - {""})])
async def test_every_key_does_what_the_table_says(where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    acts: list[Act] = [a for a in ACTIONS if a.where == where]
    async with opened(view=where or "measure") as (desk, pilot):
        for act in acts:
            for key in act.keys:
                await fresh(desk, pilot)
                if where:
                    desk.show_view(where)
                try:
                    await CHECKS[(act.where, act.name)](desk, pilot, key)
                except AssertionError as failed:
                    raise AssertionError(f"{act.name} by {key}: {failed}") from failed
        await close(desk, pilot)


async def test_views_by_letter_and_function_key() -> None:
    async with opened() as (desk, pilot):
        for view in (*VIEWS[1:], VIEWS[0]):
            for key in view.keys:
                desk.show_view("measure" if view.name != "measure" else "lean")
                await pilot.press(key)
                await pilot.pause()
                assert desk.view_name == view.name
                assert desk.view.name_of_view == view.name
                assert desk.focused is desk.view
