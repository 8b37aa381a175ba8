"""Listing ten years of use: 100,000 rows, as the command line and the screens list them.

Run: python sims/benchmarks/bench_journal.py
The goal (issue: bench and history) is all rows in at most 200 ms. The peer of the ratio, in the same run, is
sqlite3 fetching the same columns as bare tuples.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from leanmix.journal import DriveNote, Headline, Journal, Reading
from leanmix.journal.entries import body_text, check_body, line_for
from leanmix.journal.store import append, writing
from leanmix.machine import demo

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


def best_ms(work: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1000)
    return min(times)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.sqlite"
        fill(path)
        size_mb = path.stat().st_size / 1e6

        def whole() -> int:
            with Journal.open(path, read_only=True) as j:
                return len(j.headlines())

        def last() -> int:
            with Journal.open(path, read_only=True) as j:
                return len(j.headlines(last=30))

        def of_a_kind() -> int:
            with Journal.open(path, read_only=True) as j:
                return len(j.headlines(kind="drive"))

        def bare() -> int:
            with Journal.open(path, read_only=True) as j:
                return len(
                    j.link.execute("SELECT number, uid, at_ms, kind, machine, board, line FROM entry").fetchall()
                )

        assert whole() == ROWS
        assert of_a_kind() == ROWS // 10
        all_ms, peer_ms = best_ms(whole), best_ms(bare)
        print(f"{ROWS} rows, {size_mb:.0f} MB")
        print(f"open and list all     {all_ms:7.1f} ms   (goal {GOAL_MS:g} ms; {all_ms / peer_ms:.2f} × bare tuples)")
        print(f"open and list drives  {best_ms(of_a_kind):7.1f} ms")
        print(f"open and list last 30 {best_ms(last):7.1f} ms")
        print("met" if all_ms <= GOAL_MS else "NOT met")


if __name__ == "__main__":
    main()
