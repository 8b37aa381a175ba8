"""A long drive log read in a stream: time against a bare csv pass over the same file, and peak memory.

Run: python sims/benchmarks/bench_log.py [MB]      (50 without it; the goal is stated for 500)
"""

from __future__ import annotations

import csv
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from leanmix.bench.drivelog import Repairs, Tally, find_tips, lay_over, open_log, repaired

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


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    megabytes = float(sys.argv[1]) if len(sys.argv) > 1 else 50.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.csv"
        rows = write(path, megabytes)
        base = peak_mb()
        start = time.perf_counter()
        with open(path, newline="", encoding="ascii") as stream:
            count = sum(1 for _ in csv.reader(stream))
        bare = time.perf_counter() - start
        assert count == rows + 1

        tally, repairs = Tally(), Repairs()
        start = time.perf_counter()
        for _ in repaired(open_log(path).blocks(tally), 1.0, repairs, path.name):
            pass
        reading = time.perf_counter() - start
        assert tally.rows == rows
        assert repairs.doubled == rows // 20_000

        def again() -> object:
            return repaired(open_log(path).blocks(Tally()), 1.0, Repairs(), path.name)

        start = time.perf_counter()
        overlay = lay_over(again(), lambda c: (c["servo_us"] - 1500) / 47.5)  # type: ignore[arg-type]
        fitting = time.perf_counter() - start
        start = time.perf_counter()
        find_tips(again())  # type: ignore[arg-type]
        tipping = time.perf_counter() - start
        print(f"{path.stat().st_size / 1e6:.0f} MB, {rows} rows; bare csv pass {bare:.1f} s")
        print(f"read and mended  {reading:6.1f} s ({reading / bare:.2f} × bare)")
        print(f"lag and lean     {fitting:6.1f} s (lag {overlay.lag_s.at * 1000:.0f} ms, put in as 100 ms)")
        print(f"tips             {tipping:6.1f} s")
        print(
            f"peak memory      {peak_mb():6.0f} MB, {peak_mb() - base:.0f} MB of it for the log (room: {ROOM_MB:g} MB)"
        )


if __name__ == "__main__":
    main()
