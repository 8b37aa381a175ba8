"""Every action by its own keys: each key of the table does what the table says, and nothing in the table is without a test."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path

import numpy as np
import pytest
from textual.pilot import Pilot

from leanmix.screens import Screens
from leanmix.screens.actions import ACTIONS, VIEWS, Act
from leanmix.screens.boxes import AskBox, ListBox, TextBox
from leanmix.screens.walk import WalkPane
from tests.screens.checks_measuring import MEASURING, check_fastest
from tests.screens.desk import on_screen, opened, quick, settled, until

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
    assert "Walk 1 of" in on_screen(desk)
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


def in_measure(work: Check) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view("measure")
        desk.view.edited_elsewhere(RADIUS)
        await work(desk, pilot, key)

    return check


def chooses(wanted: Callable[[str], bool]) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        found = desk.view.chosen().key  # type: ignore[attr-defined]
        assert wanted(found), found

    return in_measure(check)


def makes(value: float) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert radius(desk) == pytest.approx(value)

    return in_measure(check)


async def check_change(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await pilot.press(*"14.2+-.1ruler", "enter")
    found = desk.store.good.machine.left.arm.radius_mm
    assert (found.at, found.tol, found.source) == (14.2, 0.1, "ruler")


async def check_leave_out(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.view.edited_elsewhere("side.link.length_mm")
    await pilot.press(key)
    assert desk.store.good.machine.left.link.length_mm is None
    desk.view.edited_elsewhere(RADIUS)
    await pilot.press(key)
    assert radius(desk) == 15.0
    assert "cannot be left out" in desk.said


async def check_part_sides(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    assert desk.store.field("right.arm.radius_mm") is not None
    desk.view.edited_elsewhere("right.arm.radius_mm")
    await pilot.press(key)
    assert desk.store.field("right.arm.radius_mm") is None


async def check_find(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await pilot.press(*"stiff", "enter")
    assert desk.view.chosen().key == "rear.roll_stiffness_N_m_per_rad"  # type: ignore[attr-defined]
    await pilot.press("escape")


def in_limits(work: Check) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view("limits")
        await quick(desk)
        view = desk.view
        view._way, view._at = "left", 1  # type: ignore[attr-defined]
        await work(desk, pilot, key)

    return check


def rung(way: str, at: int) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert (desk.view._way, desk.view._at) == (way, at)  # type: ignore[attr-defined]

    return in_limits(check)


async def check_go(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    stop = desk.view.chosen()  # type: ignore[attr-defined]
    assert desk.now is not None
    assert desk.now.throw_deg == pytest.approx(stop.throw_deg)
    assert "arm held at" in on_screen(desk)
    await pilot.press("escape")
    assert desk.store.position.held_deg is None


def in_lean(work: Check, *, own: bool = True) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view("lean")
        await settled(desk)
        if own:
            desk.store.put_knots(((-1.0, -7.0), (-0.5, -3.0), (0.0, 0.0), (0.5, 3.0), (1.0, 7.0)))
            desk.edited()
            await quick(desk)
            desk.view._at = 3  # type: ignore[attr-defined]
        await work(desk, pilot, key)

    return check


def knots_after(wanted: tuple[tuple[float, float], ...]) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert np.array(desk.store.good.machine.lean.knots) == pytest.approx(np.array(wanted))

    return in_lean(check)


async def check_knots(desk: Screens, pilot: Pilot[None], key: str) -> None:
    asked = desk.done.asked_deg.copy()  # type: ignore[union-attr]
    await pilot.press(key)
    assert len(desk.store.good.machine.lean.knots) == 9
    await quick(desk)
    assert abs(desk.done.asked_deg - asked).max() < 0.5, "knots say what the shape said"  # type: ignore[union-attr]
    await pilot.press(key)
    assert desk.store.good.machine.lean.knots == ()


def picks(at: int) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert desk.view._at == at  # type: ignore[attr-defined]
        assert desk.store.position.steer == pytest.approx(desk.store.good.machine.lean.knots[at][0])

    return in_lean(check)


async def check_type_knot(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await box(desk, pilot, AskBox)
    await pilot.press(*"4.25", "enter")
    await pilot.pause()
    assert desk.store.good.machine.lean.knots[3] == (0.5, 4.25)
    assert desk.store.good.machine.lean.knots[1] == (-0.5, -4.25)


async def check_add_knot(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.steer_to(0.75)
    await pilot.press(key)
    knots = desk.store.good.machine.lean.knots
    assert len(knots) == 6
    assert knots[4][0] == 0.75
    assert 3.0 < knots[4][1] < 7.0


async def check_drop_knot(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    assert [k[0] for k in desk.store.good.machine.lean.knots] == [-1.0, -0.5, 0.0, 1.0]


async def check_link_sides(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await pilot.press("up")
    assert desk.store.good.machine.lean.knots[3] == (0.5, 3.1)
    assert desk.store.good.machine.lean.knots[1] == (-0.5, -3.0)
    await pilot.press(key)


def shows_next(view: str, attribute: str) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view(view)
        await pilot.pause()
        before = getattr(desk.view, attribute)
        await pilot.press(key)
        assert getattr(desk.view, attribute) != before

    return check


def on_board(work: Check) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view("board")
        if desk.board.identity is None:
            desk.ask_link("Opening", "open", "virtual")
            await until(lambda: desk.board.identity is not None, "the virtual board answered")
        await settled(desk)
        await work(desk, pilot, key)

    return check


async def check_find_board(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.show_view("board")
    await pilot.press(key)
    await until(lambda: isinstance(desk.screen, ListBox), "the ports were listed")


async def check_flash(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await box(desk, pilot, ListBox)
    await pilot.press("enter")
    await until(lambda: bool(desk.board.ended) and not desk.board.busy, "stored")
    assert desk.store.on_board is True
    await pilot.pause()
    assert "made from this very file" in on_screen(desk)


async def check_go_back(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await check_flash(desk, pilot, "g")
    await nudged(desk, pilot)
    await settled(desk)
    desk.show_view("board")
    await pilot.pause()
    assert "NOT made from the file" in on_screen(desk)
    await check_flash(desk, pilot, "g")
    assert desk.board.image is not None
    now = desk.board.image
    await pilot.press(key)
    await box(desk, pilot, ListBox)
    await pilot.press("down", "enter")
    await until(lambda: desk.board.ended.startswith("Back"), "went back")
    assert desk.board.image != now
    assert desk.store.on_board is False


async def check_watch(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await until(lambda: desk.board.live is not None, "live values came")
    await pilot.pause()
    assert "live" in on_screen(desk)
    await pilot.press(key)
    assert not desk.board.watching


async def check_follow(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.steer_to(0.4)
    await pilot.press(key)
    await until(lambda: desk.store.position.steer == 0.0, "the virtual receiver stands at neutral")
    await pilot.press(key)
    assert not desk.board.following
    desk.watch_board(False)


async def check_close_board(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await until(lambda: desk.board.identity is None, "closed")


async def check_history_move(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await with_history(desk)
    last = len(desk.view._rows) - 1  # type: ignore[attr-defined]
    start = {"up": 1, "pageup": 1}.get(key, 0)
    desk.view._at = start  # type: ignore[attr-defined]
    await pilot.press(key)
    assert desk.view._at == {"up": 0, "pageup": 0, "down": 1, "pagedown": min(15, last)}[key]  # type: ignore[attr-defined]


async def with_history(desk: Screens) -> None:
    from leanmix.journal import DriveNote, Journal
    from leanmix.machine import demo

    with Journal.open() as journal:
        journal.record_drive(DriveNote(place="lake", verdict="slow"), source=demo("moss"))
        journal.record_drive(DriveNote(place="slope", verdict="good"), source=demo("moss"))
    desk.show_view("lean")
    desk.show_view("history")
    await until(lambda: len(desk.view._rows) >= 2, "the journal was read")  # type: ignore[attr-defined]


async def check_restore(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await with_history(desk)
    await pilot.press(key)
    await box(desk, pilot, ListBox)
    await pilot.press("down", "enter")
    await pilot.pause()
    assert desk.store.good.machine.name == "Moss"
    desk.action_undo()
    assert desk.store.good.machine.name == "Tarn"


async def check_file_on_board(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await check_flash(desk, pilot, "g")
    await nudged(desk, pilot)
    desk.show_view("history")
    await pilot.press(key)
    await box(desk, pilot, ListBox)
    await pilot.press("down", "enter")
    await pilot.pause()
    assert radius(desk) == 15.0


async def check_note_drive(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.show_view("history")
    await pilot.press(key)
    for answer in ("lake", "ice", "-4", "2", "good"):
        await box(desk, pilot, AskBox)
        if answer == "2":
            await pilot.press("backspace")
        await pilot.press(*answer, "enter")
        await pilot.pause()
    from leanmix.journal import Journal

    with Journal.open() as journal:
        _, note = journal.drives()[-1]
    assert (note.place, note.surface, note.temperature_C, note.tips, note.verdict) == (
        "lake", "ice", -4.0, 2, "good",
    )  # fmt: skip


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


CHECKS: dict[tuple[str, str], Check] = {
    **MEASURING,
    ("drive", "fastest"): in_drive(check_fastest),
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
    ("measure", "change"): in_measure(check_change),
    ("measure", "move(-1)"): chooses(lambda k: k == "side.arm.centre.up_mm"),
    ("measure", "move(1)"): chooses(lambda k: k == "side.arm.rest_deg"),
    ("measure", "move_group(-1)"): chooses(lambda k: k == "servo.arrangement"),
    ("measure", "move_group(1)"): chooses(lambda k: k == "side.link.length_mm"),
    ("measure", "nudge(1)"): makes(15.1),
    ("measure", "nudge(-1)"): makes(14.9),
    ("measure", "nudge(10)"): makes(16.0),
    ("measure", "nudge(-10)"): makes(14.0),
    ("measure", "leave_out"): in_measure(check_leave_out),
    ("measure", "part_sides"): in_measure(check_part_sides),
    ("measure", "find"): in_measure(check_find),
    ("fit", "show_next"): shows_next("fit", "_chart"),
    ("limits", "move(-1)"): rung("left", 0),
    ("limits", "move(1)"): rung("left", 2),
    ("limits", "go"): in_limits(check_go),
    ("limits", "other_way"): rung("right", 1),
    ("lean", "knots"): in_lean(check_knots, own=False),
    ("lean", "pick(1)"): picks(2),
    ("lean", "pick(-1)"): picks(4),
    ("lean", "lift(1)"): knots_after(((-1.0, -7.0), (-0.5, -3.1), (0.0, 0.0), (0.5, 3.1), (1.0, 7.0))),
    ("lean", "lift(-1)"): knots_after(((-1.0, -7.0), (-0.5, -2.9), (0.0, 0.0), (0.5, 2.9), (1.0, 7.0))),
    ("lean", "shift(1)"): knots_after(((-1.0, -7.0), (-0.51, -3.0), (0.0, 0.0), (0.51, 3.0), (1.0, 7.0))),
    ("lean", "shift(-1)"): knots_after(((-1.0, -7.0), (-0.49, -3.0), (0.0, 0.0), (0.49, 3.0), (1.0, 7.0))),
    ("lean", "type_knot"): in_lean(check_type_knot),
    ("lean", "add_knot"): in_lean(check_add_knot),
    ("lean", "drop_knot"): in_lean(check_drop_knot),
    ("lean", "link_sides"): in_lean(check_link_sides),
    ("lean", "show_next"): shows_next("lean", "_chart"),
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
    ("bench", "go_on"): at_bench(check_go_on),
    ("bench", "say_yes"): at_bench(check_yes),
    ("bench", "say_no"): at_bench(check_no),
    ("bench", "stop_now"): at_bench(check_stop),
    ("bench", "end_walk"): at_bench(check_end_walk),
    ("bench", "fit_readings"): check_fit_readings,
    ("bench", "take_in"): check_take_in,
    ("board", "find_board"): check_find_board,
    ("board", "flash"): on_board(check_flash),
    ("board", "go_back"): on_board(check_go_back),
    ("board", "watch"): on_board(check_watch),
    ("board", "follow"): on_board(check_follow),
    ("board", "close_board"): on_board(check_close_board),
    ("history", "move(-1)"): check_history_move,
    ("history", "move(1)"): check_history_move,
    ("history", "move(-15)"): check_history_move,
    ("history", "move(15)"): check_history_move,
    ("history", "restore"): check_restore,
    ("history", "file_on_board"): on_board(check_file_on_board),
    ("history", "show_next"): shows_next("history", "_kind"),
    ("history", "note_drive"): check_note_drive,
}


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
