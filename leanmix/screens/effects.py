"""What the last edit changed: the figures a builder watches, before and after."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from leanmix.screens.moved import table_words
from leanmix.screens.reckon import Reckoned
from leanmix.words import figure

if TYPE_CHECKING:
    from leanmix.screens.app import Screens

__all__ = ["effect_rows"]


def effect_rows(desk: Screens, key: str) -> Iterator[tuple[str, str]]:
    """Sentences on what the last edit of this entry did, as (words, ink)."""
    before, after, edit = desk.before_edit, desk.shown, desk.store.last_edit
    if before is None or after is None or edit is None or edit.key != key:
        return
    if after.serial != desk.store.serial:
        yield "working it out …", "faint"
        return
    rows = [(name, one(before), one(after), unit, places) for name, one, unit, places in _WATCHED]
    moved = [r for r in rows if figure(r[1], r[4]) != figure(r[2], r[4])]
    if not moved:
        yield "The last edit moved nothing that is watched here.", "faint"
        if after.held is not None:
            yield from table_words(after.held)
        return
    # caps of one build, then of many: until both are alike, what they hold back may still change
    yield ("The last edit moved:" if after.settled else "The last edit moved, caps still being worked out:"), "faint"
    for name, old, new, unit, places in moved:
        yield f"{name} {figure(old, places)} → {figure(new, places)}{unit}", "strong"
    if after.held is not None:
        yield from table_words(after.held)


def _block(way: str, done: Reckoned) -> float:
    stop = None if done.ladder is None else done.ladder.first_block(way)
    return float("nan") if stop is None else stop.throw_deg


def _lean(done: Reckoned, at: int) -> float:
    return abs(float(done.lean_deg[at]))


def _cap(done: Reckoned, way: str) -> float:
    if done.caps is None:
        return float("nan")
    return float((done.caps.left if way == "left" else done.caps.right).throw_deg)


_WATCHED: tuple[tuple[str, Callable[[Reckoned], float], str, int], ...] = (
    ("first block leaning left at", lambda d: _block("left", d), "°", 2),
    ("first block leaning right at", lambda d: _block("right", d), "°", 2),
    ("lean at full left lock", lambda d: _lean(d, -1), "°", 2),
    ("lean at full right lock", lambda d: _lean(d, 0), "°", 2),
    ("arm at full left lock", lambda d: float(d.held_deg[-1]), "°", 1),
)
