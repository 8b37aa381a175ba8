"""Listing ten years of use: 100,000 rows, as the command line and the screens list them.

The goal is all rows in at most 200 ms. The peer of the ratio, in the same run, is
sqlite3 fetching the same columns as bare tuples.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from leanmix.journal import DriveNote, Headline, Journal, Reading
from leanmix.journal.entries import body_text, check_body, line_for
from leanmix.journal.store import append, writing
from leanmix.machine import demo
from sims.benchmarks.figures import Figure, plain, ratio

ROWS = 100_000
REPEATS = 7
GOAL_MS = 200.0


def fill(path: Path) -> None:
    """Ten years: mostly readings, a note for each drive, a flash now and then."""
    tarn = demo("tarn")
    with Journal.open(path) as j:
        j.keep(tarn)
        with writing(j.link):
            for i in range(ROWS):
                at_ms = 1_400_000_000_000 + i * 3_155_760
                value: Reading | DriveNote
                if i % 10:
                    value = Reading("arm_deg", i % 60 - 30.5, 1.0, "protractor", "left", 1500.0 + i % 400, "longer")
                else:
                    value = DriveNote("north lake", "packed snow", -8.0, i % 3, "leans late, tips on the way out")
                kind = "reading" if i % 10 else "drive"
                head = Headline(0, f"{i:028x}", at_ms, kind, "Tarn", "LM-0001", line_for(value))
                append(j.link, head, digest=tarn.digest, body=body_text(check_body(value)))


def _ms(work: Callable[[], object]) -> list[float]:
    """Processor time: other programs on the machine are not the journal's doing."""
    times = []
    for _ in range(REPEATS):
        start = time.process_time()
        kept = work()
        times.append((time.process_time() - start) * 1000)
        del kept  # a list that is shown is not thrown away at once
    return times


def measure(short: bool) -> list[Figure]:
    """Listing all rows, the last thirty, and one kind."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.sqlite"
        fill(path)

        def listed(**how: Any) -> Callable[[], list[Headline]]:
            def work() -> list[Headline]:
                with Journal.open(path, read_only=True) as j:
                    return j.headlines(**how)

            return work

        def bare() -> list[Any]:
            with Journal.open(path, read_only=True) as j:
                return j.link.execute("SELECT number, uid, at_ms, kind, machine, board, line FROM entry").fetchall()

        assert len(listed()()) == ROWS
        assert len(listed(kind="drive")()) == ROWS // 10
        peer = "sqlite3 fetching the same columns as bare tuples"
        return [
            plain(f"journal: open and list {ROWS:,} rows", _ms(listed()), "ms", goal=GOAL_MS),
            ratio(
                "journal: list all, against bare tuples", listed(), bare, peer_is=peer, repeats=3 if short else REPEATS
            ),
            plain("journal: open and list the last 30", _ms(listed(last=30)), "ms"),
        ]
