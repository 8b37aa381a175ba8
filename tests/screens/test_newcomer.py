"""What a newcomer types first: a guess replaced, a long entry in a narrow window, one scale after another."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from textual.pilot import Pilot

from leanmix.machine import template
from leanmix.screens import Screens
from leanmix.screens.boxes import ListBox
from leanmix.screens.views.measure import MeasureView
from tests.screens.desk import SMALL, on_screen, opened, quick, settled, until


@asynccontextmanager
async def new_machine(folder: Path) -> AsyncIterator[tuple[Screens, Pilot[None], MeasureView]]:
    """Measure on a file as `leanmix new` writes it."""
    path = folder / "mine.toml"
    path.write_text(template(), encoding="utf-8")
    async with opened(str(path), size=SMALL, view="measure") as (desk, pilot):
        await quick(desk)
        assert isinstance(desk.view, MeasureView)
        yield desk, pilot, desk.view


async def test_a_number_typed_over_a_guess_is_told_to_be_one_still_until_its_source_is_given(tmp_path: Path) -> None:
    async with new_machine(tmp_path) as (desk, pilot, view):
        view.choose("runner.length_mm")
        await pilot.press(*"121", "enter")
        assert "still counts as a guess" in desk.said
        await pilot.press(*"121,5", "space", *"calipers", "enter")
        assert "guess" not in desk.said
        field = desk.store.field("runner.length_mm")
        assert field is not None
        assert field.measured is not None
        assert (field.measured.at, field.measured.source) == (121.5, "calipers")


async def test_a_guess_is_opened_without_its_mark_and_a_long_entry_shows_its_first_digit(tmp_path: Path) -> None:
    async with new_machine(tmp_path) as (desk, pilot, view):
        view.choose("runner.steer_left_deg")
        await pilot.press("enter")
        line = view.typing()
        assert line is not None
        assert line.text == "26 ± 1.5"
        await pilot.press("escape")
        view.choose("runner.length_mm")
        await pilot.press("enter", "ctrl+u", *"121.5+-0.75", "space", *"calipers")
        assert "121.5+-0.75 calipers" in on_screen(desk)


async def test_the_first_scale_is_no_error_but_says_what_is_still_to_read() -> None:
    async with opened("demo:tarn", size=SMALL, view="weigh") as (desk, pilot):
        await quick(desk)
        await pilot.press(*"612", "enter")
        shown = on_screen(desk)
        assert "still to read: right runner, rear" in " ".join(shown.split())
        assert "✕ The three scales" not in shown


async def test_a_link_that_never_reaches_is_told_over_the_last_good_pose_and_undone() -> None:
    async with opened("demo:tarn", size=SMALL, view="measure") as (desk, pilot):
        assert isinstance(desk.view, MeasureView)
        desk.view.choose("side.link.length_mm")
        await pilot.press(*"60", "enter")
        await quick(desk)
        await pilot.pause()
        assert "LAST GOOD POSE" in on_screen(desk)
        assert "cannot be put together" in desk.stale_why()
        await pilot.press("u")
        await quick(desk)
        await pilot.pause()
        assert "LAST GOOD POSE" not in on_screen(desk)
        assert desk.fault is None


async def test_a_file_of_guesses_is_told_to_be_one_before_its_table_is_stored(tmp_path: Path) -> None:
    async with new_machine(tmp_path) as (desk, pilot, _):
        await settled(desk)
        desk.show_view("board")
        desk.ask_link("Opening", "open", "virtual")
        await until(lambda: desk.board.identity is not None, "the virtual board")
        await pilot.press("g")
        await pilot.pause()
        assert isinstance(desk.screen, ListBox)
        strips = desk.screen._compositor.render_strips()
        shown = " ".join("".join(s.text for s in strip) for strip in strips).replace("│", " ").split()
        assert "numbers of this file are guesses" in " ".join(shown)
        await pilot.press("escape")
        assert desk.board.identity is not None
        assert not desk.board.identity.machine_hash, "nothing was stored"
        desk.open_named("demo:wren")
        await settled(desk)
        await pilot.press("g")
        await pilot.pause()
        strips = desk.screen._compositor.render_strips()
        assert "guesses" not in " ".join("".join(s.text for s in strip) for strip in strips)
