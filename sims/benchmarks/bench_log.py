"""A long drive log read in a stream: time against a bare csv pass over the same file, and memory that does not grow."""

from __future__ import annotations

import csv
import tempfile
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from leanmix.bench.drivelog import Repairs, Stretch, Tally, find_tips, lay_over, open_log, repaired
from sims.benchmarks.figures import Figure, plain, ratio

ROOM_MB = 250.0


def write(path: Path, megabytes: float) -> int:
    """A drive of that many MB at 200 rows a second, with doubled rows, pauses and empty fields."""
    rng = np.random.default_rng(1)
    rows = 0
    with open(path, "w", encoding="ascii") as out:
        out.write("t_s,steering_us,servo_us,lean_deg,lateral_g,supply_V\n")
        while out.tell() < megabytes * 1e6:
            t = rows / 200 + np.arange(20_000) / 200
            steer = np.sin(t * 1.3) * np.sin(t * 0.31)
            lean = 8 * np.sin((t - 0.1) * 1.3) * np.sin((t - 0.1) * 0.31) + rng.normal(0, 0.3, len(t))
            lines = [
                f"{a:.3f},{1500 + 400 * s:.1f},{1500 + 380 * s:.1f},{v:.2f},{0.2 * s:.3f},5.91"
                for a, s, v in zip(t.tolist(), steer.tolist(), lean.tolist(), strict=True)
            ]
            lines[7777] = lines[7776]
            lines[9999] = f"{t[9999]:.3f},1500.0,1500.0,,,"
            out.write("\n".join(lines) + "\n")
            rows += len(t)
    return rows


def _peak_mb(work: Callable[[], object]) -> float:
    """Most memory that Python and numpy held at once during some work."""
    tracemalloc.start()
    work()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 1e6


def measure(short: bool) -> list[Figure]:
    """Reading and mending, fitting, finding tips; memory for a short and a long log."""
    megabytes = 8.0 if short else 60.0
    with tempfile.TemporaryDirectory() as folder:
        path, longer = Path(folder) / "drive.csv", Path(folder) / "longer.csv"
        rows, _ = write(path, megabytes), write(longer, 3 * megabytes)

        def stretches(of: Path) -> Iterator[Stretch]:
            return repaired(open_log(of).blocks(Tally()), 1.0, Repairs(), of.name)

        def bare() -> int:
            with open(path, newline="", encoding="ascii") as stream:
                return sum(1 for _ in csv.reader(stream))

        def read() -> int:
            return sum(len(s.columns["t_s"]) for s in stretches(path))

        assert bare() == rows + 1
        assert read() == rows - rows // 20_000  # the doubled ones are gone
        peer = f"a csv pass over the same {megabytes:g} MB"
        times = 1 if short else 3
        memory = (_peak_mb(lambda: find_tips(stretches(path))), _peak_mb(lambda: find_tips(stretches(longer))))
        return [
            ratio("log: read and mended", read, bare, peer_is=peer, repeats=times),
            ratio(
                "log: lag and lean fitted",
                lambda: lay_over(stretches(path), lambda c: (c["servo_us"] - 1500) / 47.5),
                bare,
                peer_is=peer,
                repeats=times,
            ),
            ratio("log: tips found", lambda: find_tips(stretches(path)), bare, peer_is=peer, repeats=times),
            plain("log: memory at most", [memory[0]], "MB", goal=ROOM_MB),
            plain("log: memory for three times the log, over that", [memory[1] / memory[0]], "×", goal=1.5),
        ]
