"""What the screens do beyond their keys: mouse, errors at the field, the last good pose, comparing, pictures, the walk, a crash."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from textual import events

from leanmix.curve import plan_pulses_us, plan_throw_deg
from leanmix.errors import LeanmixError
from leanmix.job import work_out
from leanmix.machine import demo
from leanmix.screens import Screens
from leanmix.screens.bars import FootBar, TopBar
from leanmix.screens.boxes import ListBox
from leanmix.screens.line import TypedLine
from leanmix.screens.panes import FrontPane
from leanmix.screens.walk import STEPS, WalkPane
from leanmix.stance import what_buys_most
from tests.screens.desk import SMALL, WIDE, on_screen, opened, quick, screen_rows, settled, until


async def test_the_mouse_takes_hold_of_the_steering() -> None:
    async with opened() as (desk, pilot):
        foot = desk.screen.query_one(FootBar)
        begin, width = foot._bar
        await pilot.mouse_down(foot, offset=(begin + width // 2, 0))
        await pilot.hover(foot, offset=(begin, 0))
        await pilot.pause()
        assert desk.store.position.steer == 1.0, "left end of the bar is full left"
        await pilot.hover(foot, offset=(begin + width - 1, 0))
        await pilot.mouse_up(foot, offset=(begin + width - 1, 0))
        assert desk.store.position.steer == -1.0
        await pilot.hover(foot, offset=(begin, 0))
        assert desk.store.position.steer == -1.0, "let go"


async def test_clicks_choose_views_rows_and_stops() -> None:
    async with opened() as (desk, pilot):
        bar = desk.screen.query_one(TopBar)
        spans = {name: (a + b) // 2 for a, b, name in bar._spans}
        row = next(r for r, key in desk.view._rows_at.items() if key == "chassis.mass_g")  # type: ignore[attr-defined]
        await pilot.click(desk.view, offset=(5, row))
        assert desk.view.chosen().key == "chassis.mass_g"  # type: ignore[attr-defined]
        await pilot.click(bar, offset=(spans["limits"], 1))
        await pilot.pause()
        assert desk.view_name == "limits"
        cell = next(c for c, (way, at) in desk.view._rows_at.items() if (way, at) == ("left", 1))  # type: ignore[attr-defined]
        await pilot.click(desk.view, offset=(cell[1] + 18, cell[0]))
        assert desk.store.position.held_deg == pytest.approx(desk.view.chosen().throw_deg)  # type: ignore[attr-defined]


async def test_a_knot_is_dragged() -> None:
    async with opened(view="lean") as (desk, pilot):
        desk.store.put_knots(((-1.0, -7.0), (-0.5, -3.0), (0.0, 0.0), (0.5, 3.0), (1.0, 7.0)))
        desk.edited()
        await quick(desk)
        await pilot.pause()
        plane = desk.view._plane  # type: ignore[attr-defined]
        row, column = plane.cell(0.5, 3.0)
        await pilot.mouse_down(desk.view, offset=(column, row))
        await pilot.mouse_up(desk.view, offset=(column, row - 2))
        await pilot.pause()
        knots = desk.store.good.machine.lean.knots
        assert knots[3][1] > 3.0
        assert knots[1][1] == -knots[3][1], "its twin went along"


async def test_an_entry_out_of_range_is_refused_at_its_field() -> None:
    async with opened() as (desk, pilot):
        desk.view.edited_elsewhere("side.arm.radius_mm")
        await pilot.press("enter", *"900", "enter")
        await pilot.pause()
        assert "outside what is possible: 1 to 200 mm" in on_screen(desk)
        assert desk.store.edits == 0
        await pilot.press("backspace", "backspace", "backspace", *"16", "enter")
        assert desk.store.good.machine.left.arm.radius_mm.at == 16
        await pilot.pause()
        assert "outside what is possible" not in on_screen(desk)


async def test_a_broken_rule_shows_the_last_good_pose_and_why() -> None:
    async with opened(size=WIDE) as (desk, pilot):
        good = FrontPane.painted(desk.screen.query_one(FrontPane)).text()
        desk.view.edited_elsewhere("servo.pulse_min_us")
        await pilot.press("enter", *"1600", "enter")
        await pilot.pause()
        text = on_screen(desk)
        assert "LAST GOOD POSE" in text
        assert "1 error: press !" in text
        pane = desk.screen.query_one(FrontPane).painted()
        inks = {name for r in range(2, pane.rows - 1) for t, name in pane.runs(r) if t.strip()}
        assert inks <= {"ghost", "bad"}, "greyed"
        await pilot.press("u")
        await quick(desk)
        await pilot.pause()
        assert FrontPane.painted(desk.screen.query_one(FrontPane)).text() == good


async def test_parts_that_cannot_be_put_together_show_the_last_good_pose() -> None:
    async with opened() as (desk, pilot):
        desk.view.edited_elsewhere("side.link.length_mm")
        await pilot.press("enter", *"4", "enter")
        await quick(desk)
        await pilot.pause()
        text = on_screen(desk)
        assert "LAST GOOD POSE" in text
        assert "cannot be put" in text
        await pilot.press("left")
        await pilot.press("i")
        await pilot.press("l")
        await pilot.press("f")
        await pilot.press("u")
        await quick(desk)
        await pilot.pause()
        assert "LAST GOOD POSE" not in on_screen(desk)


async def test_the_effect_of_an_edit_stands_below() -> None:
    async with opened() as (desk, pilot):
        await settled(desk)
        desk.view.edited_elsewhere("side.arm.radius_mm")
        await pilot.press("greater_than_sign")
        await quick(desk)
        await pilot.pause()
        text = on_screen(desk)
        assert "The last edit moved" in text
        assert "at full left lock" in text
        assert "→" in text


async def test_the_other_machine_stands_beside_in_its_own_ink() -> None:
    async with opened(size=WIDE) as (desk, pilot):
        desk.compare_with(demo("moss"))
        desk.steer_to(1.0)
        await pilot.pause()
        pane = desk.screen.query_one(FrontPane).painted()
        inks = {name for r in range(pane.rows) for t, name in pane.runs(r) if t.strip()}
        assert {"other", "moving"} <= inks
        assert "beside Moss" in on_screen(desk)


@pytest.mark.parametrize(
    ("what", "starts"),
    [("screen.svg", b"<svg"), ("screen.png", b"\x89PNG"), ("screen.txt", b" Tarn"), ("front.svg", b"<?xml"), ("front.png", b"\x89PNG"),
     ("above.svg", b"<?xml"), ("view.csv", b"key,value")],
)  # fmt: skip
async def test_pictures_and_figures_go_to_files(
    what: str, starts: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    async with opened(size=SMALL) as (desk, pilot):
        await pilot.press("p")
        box = desk.screen
        assert isinstance(box, ListBox)
        box.answer(what)
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause()
        await pilot.press("backspace", *"out", "enter")
        await pilot.pause()
        assert "Wrote out" in desk.said
        assert (tmp_path / "out").read_bytes().startswith(starts)
        desk.action_picture()
        await pilot.pause()
        box = desk.screen
        assert isinstance(box, ListBox)
        box.answer(what)
        await pilot.pause()
        await pilot.press("enter", "backspace", *"out", "enter")
        await pilot.pause()
        assert "is there already" in desk.said


async def test_text_goes_to_the_clipboard_too() -> None:
    async with opened(size=SMALL) as (desk, pilot):
        desk.action_picture()
        await pilot.pause()
        desk.screen.answer("view.csv")  # type: ignore[attr-defined]
        await pilot.pause()
        await pilot.press("down", "enter")
        assert desk.clipboard.startswith("key,value,tolerance")
        assert "save to a file instead" in desk.said


async def test_every_view_gives_figures_with_units_in_their_heads() -> None:
    from leanmix.screens.actions import VIEWS

    async with opened() as (desk, pilot):
        await settled(desk)
        for view in VIEWS:
            desk.show_view(view.name)
            await pilot.pause()
            if view.name == "tip":
                await until(lambda: bool(desk.view.figures_out()), "tip limits")
            rows = desk.view.figures_out()
            assert all(len(r) == len(rows[0]) for r in rows)


async def test_help_is_of_what_is_chosen() -> None:
    async with opened() as (desk, pilot):
        desk.view.edited_elsewhere("chassis.mass_g")
        await pilot.press("question_mark")
        await pilot.pause()
        text = on_screen(desk) + "\n".join(
            "".join(s.text for s in strip) for strip in desk.screen._compositor.render_strips()
        )
        assert "kitchen scales" in text, "the same words as in the template"
        await pilot.press("escape")


async def test_the_first_walk_ends_at_a_flashed_virtual_board() -> None:
    async with opened(size=SMALL) as (desk, pilot):
        pane = desk.screen.query_one(WalkPane)
        await pilot.press("f12")
        await pilot.press("left", "left", "left", "left")
        assert pane.step == 1
        desk.view.edited_elsewhere("side.arm.radius_mm")
        await pilot.press("plus")
        assert pane.step == 2
        await pilot.press("u")
        assert pane.step == 3
        await quick(desk)
        await pilot.press("i", "enter")
        assert pane.step == 4
        await pilot.press("escape", "l")
        await until(lambda: pane.step == 5, "proved")
        await pilot.press("b", "enter")
        await until(lambda: isinstance(desk.screen, ListBox), "ports")
        desk.screen.answer("virtual")  # type: ignore[attr-defined]
        await until(lambda: pane.step == 6, "a board")
        await pilot.press("g")
        await pilot.pause()
        await pilot.press("enter")
        await until(lambda: pane.step == len(STEPS) - 1, "flashed")
        await pilot.pause()
        assert "Done: the board runs your table" in on_screen(desk)


async def test_edits_left_behind_are_offered_on_start() -> None:
    lost = Screens("demo:wren")
    field = lost.store.field("chassis.mass_g")
    assert field is not None
    lost.store.put(field, field.measured.at + 1)  # type: ignore[union-attr]
    handle = lost.store.journal._handle
    assert handle is not None
    os.close(handle)
    lost.store.journal._handle = lost.store.journal._file = None
    desk = Screens("demo:tarn", greet=True)
    try:
        async with desk.run_test(size=SMALL) as pilot:
            await until(lambda: isinstance(desk.screen, ListBox), "the offer")
            await pilot.press("enter")
            await pilot.pause()
            assert desk.store.good.machine.name == "Wren"
            assert desk.store.unsaved
    finally:
        desk.store.close()


@pytest.mark.parametrize("size", [(40, 10), (79, 30), (120, 20)])
async def test_below_the_least_size_only_a_notice(size: tuple[int, int]) -> None:
    async with opened(size=size) as (desk, pilot):
        text = " ".join(on_screen(desk).split())
        assert "80 columns and 24 rows" in text
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        assert "from behind" in on_screen(desk)


async def test_turning_shows_the_runner_in_the_air() -> None:
    async with opened() as (desk, pilot):
        desk.steer_to(1.0)
        desk.store.turn_at(0.7)
        desk.follow()
        await pilot.pause()
        assert desk.now is not None
        for g in (0.7, 1.2, 2.0):
            desk.store.turn_at(g)
            desk.follow()
            await pilot.pause()
            assert desk.now.why == "" or "rolls on" in desk.now.why
        assert desk.now.stance is None, "past the fold there is no pose"
        assert "rolls on" in on_screen(desk)


async def test_no_colour_sends_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with opened(size=SMALL) as (desk, pilot):
        for key in ("m", "i", "l", "b"):
            await pilot.press(key)
            await pilot.pause()
            for strip in desk.screen._compositor.render_strips():
                for segment in strip:
                    if segment.style is not None:
                        for color in (segment.style.color, segment.style.bgcolor):
                            assert color is None or color.is_default
        await pilot.press("k")
        assert desk.theme == "plain"


def test_a_line_takes_any_printable_key() -> None:
    line = TypedLine("15", fresh=False)
    assert line.key(events.Key("plus-minus_sign", "±"))
    assert line.key(events.Key("space", " "))
    assert line.key(events.Key("1", "1"))
    assert line.text == "15± 1"
    assert line.key(events.Key("home", None))
    assert line.key(events.Key("delete", None))
    assert line.text == "5± 1"
    assert not line.key(events.Key("enter", "\r"))
    assert not line.key(events.Key("ctrl+a", "\x01"))
    line.put("a\tb\n")
    assert line.text == "ab5± 1"


def test_opening_what_is_not_there_is_a_sentence() -> None:
    with pytest.raises(LeanmixError):
        Screens("nowhere.toml")


@pytest.mark.parametrize("name", ["demo:tarn", "demo:wren"])
async def test_every_view_is_whole_at_the_least_size(name: str) -> None:
    from leanmix.screens.actions import VIEWS

    async with opened(name, size=SMALL) as (desk, pilot):
        await settled(desk)
        desk.steer_to(-0.35)
        for view in VIEWS:
            desk.show_view(view.name)
            await pilot.pause()
            rows = screen_rows(desk)
            assert len(rows) == 24
            assert all(len(r) <= 80 for r in rows)
            assert desk.store.good.machine.name in rows[0]
            assert rows[-1].strip(), "keys stand in the last row"
            assert any("lean" in r and "arm" in r and "pulse" in r and "µs" in r for r in rows[-5:])
            assert any("loads" in r for r in rows[-5:])
            assert any("next stop" in r for r in rows[-5:])


async def test_what_buys_most_leans_into_either_turn() -> None:
    async with opened("demo:wren", view="tip") as (desk, _pilot):
        await settled(desk)
        assert desk.done is not None
        left, right = desk.done.locks_deg
        for steer, turn, throw in ((0.5, "left", left), (-0.5, "right", -right)):
            desk.steer_to(steer)
            await until(lambda t=turn: desk.view._worth is not None and desk.view._worth[0][1] == t, turn)  # type: ignore[attr-defined, misc]
            shown = desk.view._worth[1]  # type: ignore[attr-defined]
            more = next(w for w in shown if w.what.endswith("more arm at full lock"))
            assert more.lean_deg > 0
            assert more.leaning_g > 0, "leaning further into a turn holds Wren longer"
            assert shown == what_buys_most(desk.store.good.machine, throw, turn)


async def test_the_screens_send_the_arm_where_the_table_does() -> None:
    # Wren's table cannot hold the knee of its file and is fitted with a wider one
    async with opened("demo:wren") as (desk, _pilot):
        await settled(desk)
        table = work_out(desk.store.good).table
        assert table.fit.knee_deg > float(desk.store.good.machine.limits.knee_deg.at)
        for steer in (1.0, 0.9, 0.3, -0.95, -1.0):
            desk.steer_to(steer)
            assert desk.now is not None
            throw = float(plan_throw_deg(table.plan, [steer])[1][0])
            assert desk.now.throw_deg == pytest.approx(throw, abs=1e-9)
            exact = [float(p[0]) for p in plan_pulses_us(table.plan, [throw])]
            assert list(desk.now.pulses_us) == pytest.approx(exact, abs=1e-6)


async def test_a_throw_beyond_the_caps_has_no_tip_limit() -> None:
    async with opened("demo:wren", view="tip") as (desk, pilot):
        await settled(desk)
        await until(lambda: desk.view._found is not None, "tip limits")  # type: ignore[attr-defined]
        desk.store.hold_arm(50.0)
        desk.follow()
        await pilot.pause()
        shown = on_screen(desk)
        assert "held beyond its caps" in shown
        assert "tips in a turn of" not in shown
        desk.steer_to(0.5)
        await pilot.pause()
        assert "held beyond its caps" not in on_screen(desk)
