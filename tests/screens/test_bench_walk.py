"""The whole bench walk on the screen, against the virtual board: every question answered by keys, to its end."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

from textual import events
from textual.pilot import Pilot

from leanmix.journal import Journal
from leanmix.screens import Screens
from tests.screens.desk import on_screen, opened, settled, until

PATIENCE_S = 240.0
# the arm of the machine on the stand turns this much less than its file says [share]
SLACK = 0.06


@dataclass
class Seen:
    """What the walk asked and did."""

    kinds: dict[str, int] = field(default_factory=dict)
    stopped: int = 0
    shown: set[str] = field(default_factory=set)


async def type_reading(desk: Screens, pilot: Pilot[None], value: float) -> None:
    for c in f"{value:.2f}":
        desk.post_message(events.Key({".": "full_stop", "-": "minus"}.get(c, c), c))
    await pilot.press("enter")


async def answer(desk: Screens, pilot: Pilot[None], seen: Seen) -> None:
    """Answer the question that waits, as a builder whose arm turns a little less than the file says."""
    question = desk.bench.question
    if question is None:
        moment = desk.bench.moment
        if moment is not None and moment.searching and abs(moment.pulse_us - 1500) > 330:
            # the builder sees it bind
            await pilot.press("space")
            seen.stopped += 1
        await asyncio.sleep(0.02)
        return
    await pilot.pause()
    seen.kinds[question.kind] = seen.kinds.get(question.kind, 0) + 1
    seen.shown.add(" ".join(question.text.split())[:24] if question.text[:20] in on_screen(desk) else "not shown")
    if question.kind == "agree":
        # nobody sits at the virtual board's transmitter
        await pilot.press("n" if "On the transmitter" in question.text else "y")
    elif question.kind == "choose":
        await pilot.press("1")
    else:
        share = 1 - SLACK if question.unit == "deg" else 1.0
        await type_reading(desk, pilot, question.expected * share)
    await until(lambda: desk.bench.question is not question, "the walk went on")


async def test_the_walk_goes_to_its_end_on_the_screen_and_into_the_journal() -> None:
    async with opened(view="board") as (desk, pilot):
        await settled(desk)
        desk.ask_link("Opening", "open", "virtual")
        await until(lambda: desk.board.identity is not None, "opened")
        await pilot.press("g")
        await until(lambda: len(desk.screen_stack) > 1, "asked for the cautions")
        await pilot.press("enter")
        await until(lambda: desk.store.on_board is True, "flashed")
        desk.show_view("bench")
        await pilot.press("enter")
        await until(lambda: desk.bench.question is not None, "the walk asked")
        seen = Seen()
        for _ in range(int(PATIENCE_S / 0.02)):
            if desk.bench.builder is None:
                break
            await answer(desk, pilot, seen)
        report = desk.bench.report
        assert report is not None
        assert report.done, desk.bench.why
        assert desk.bench.why == ""
        assert "not shown" not in seen.shown, "every question stands on the screen"
        assert seen.kinds["agree"] >= 5
        assert seen.kinds["read"] >= 6
        assert seen.stopped >= 2, "both ways searched"
        await pilot.pause()
        assert "went to its end" in on_screen(desk)
        with Journal.open(read_only=True) as journal:
            kept = [r for _, r in journal.readings(machine="Tarn")]
        assert len(kept) == len(report.readings)
        assert {r.quantity for r in kept} >= {"arm_deg", "stop_us"}
        assert {r.walk for r in kept} == {report.walk}
        # and what they say of the file, as one edit
        await pilot.press("g")
        await until(lambda: desk.bench.fit is not None or bool(desk.bench.trouble), "held against the file", 60)
        assert desk.bench.fit is not None, desk.bench.trouble
        edits = desk.store.edits
        await pilot.press("x")
        assert desk.store.edits == edits + 1
        was, now = 10.2, desk.store.good.machine.servo.pulse_per_deg_us.at
        assert now > was * (1 + SLACK / 2), "an arm that turns less takes more pulse a degree"
        desk.ask_link("Closing", "close")
        await until(lambda: desk.board.identity is None, "closed")
