"""A soak: random keys, mouse and window sizes. No fault, no lost edit, no growing memory."""

from __future__ import annotations

import gc
import random
import sys
import tracemalloc
from pathlib import Path

import pytest
from textual import events
from textual.pilot import Pilot

from leanmix.screens import Screens
from leanmix.screens.actions import ACTIONS, VIEWS
from leanmix.screens.views import drive
from tests.conftest import DEEP
from tests.screens.desk import opened, settled

EVENTS = 20_000 if DEEP else 500
SIZES = ((80, 24), (120, 40), (200, 60), (79, 23), (100, 30), (40, 10), (133, 37))

# leaving would end the soak; the list of ports and opening one take the line's own time
KEYS = tuple(
    sorted({k for a in ACTIONS for k in a.keys if a.name not in ("leave", "find_board", "flash", "go_back")})
) + tuple(k for v in VIEWS for k in v.keys) + tuple("0123456789.-±xyz") + ("escape", "escape", "backspace", "tab")  # fmt: skip


async def one_event(desk: Screens, pilot: Pilot[None], rng: random.Random) -> None:
    what = rng.random()
    if what < 0.90:
        key = rng.choice(KEYS)
        character = key if len(key) == 1 else None
        desk.post_message(events.Key(key, character))
    elif what < 0.985:
        width, height = desk.size
        x, y = rng.randrange(max(width, 1)), rng.randrange(max(height, 1))
        kind = rng.choice((events.MouseDown, events.MouseMove, events.MouseUp, events.MouseScrollDown))
        desk.post_message(kind(None, x, y, 0, 0, 1, False, False, False, x, y))
    else:
        await pilot.resize_terminal(*rng.choice(SIZES))
    if rng.random() < 0.2:
        await pilot.pause()


def edits_come_back(desk: Screens) -> int:
    """Undo all there is and redo it: the same texts stand; how many edits that were."""
    store = desk.store
    text, readings, edits = store.text, store.readings and store.readings.text, store.edits
    undone = len(store._undone)
    for _ in range(edits):
        assert store.undo() is not None
    assert store.text.startswith(("schema = 1", "# A machine file"))
    for _ in range(edits):
        assert store.redo() is not None
    assert store.text == text, "undo and redo over all edits come back to the same text"
    assert (store.readings and store.readings.text) == readings
    assert (store.edits, len(store._undone)) == (edits, undone)
    if edits:
        desk.edited()
    return edits


async def test_random_events_break_nothing_and_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    # a search for a fastest pass takes a minute of a core; it has its own test
    driven = drive._driven
    monkeypatch.setattr(
        drive, "_driven", lambda jobs, name, surface, speed, _search: driven(jobs, name, surface, speed, None)
    )
    rng = random.Random(20)
    sizes = []
    edits = 0
    async with opened() as (desk, pilot):
        for i in range(EVENTS):
            await one_event(desk, pilot, rng)
            if i % 100 == 50:
                await pilot.pause()
                edits += edits_come_back(desk)
            if i % 500 == 250 and DEEP:
                await pilot.pause()
                gc.collect()
                if not tracemalloc.is_tracing() and i > EVENTS // 10:
                    tracemalloc.start(1)
                if tracemalloc.is_tracing():
                    sizes.append(tracemalloc.get_traced_memory()[0])
        await pilot.resize_terminal(120, 40)
        while len(desk.screen_stack) > 1:
            await pilot.press("escape")
            await pilot.pause()
        await pilot.press("escape", "escape")
        edits += edits_come_back(desk)
        assert edits > 0, "a soak without edits proves nothing of them"
        desk.edited()
        await settled(desk)
        await pilot.press("left")
        assert desk.now is not None
    if sizes:
        tracemalloc.stop()
        # edits are kept for undo: a few hundred bytes each is theirs by right
        half = len(sizes) // 2
        grown = max(sizes[half:]) - max(sizes[:half])
        sys.stdout.write(f"{EVENTS} events, {edits} edits taken back and made again; memory {sizes[0] / 1e6:.1f} to {sizes[-1] / 1e6:.1f} MB, grown {grown / 1e6:.2f} MB\n")  # fmt: skip
        assert grown < 3_000_000, f"memory grew by {grown / 1e6:.1f} MB over half the soak"
