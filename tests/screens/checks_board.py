"""Checks of the actions of Board and History."""

from __future__ import annotations

from textual.pilot import Pilot

from leanmix.screens import Screens
from leanmix.screens.boxes import AskBox, ListBox
from tests.screens.checks import Check, box, nudged, radius, shows_next
from tests.screens.desk import on_screen, settled, until


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


BOARD: dict[tuple[str, str], Check] = {
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
