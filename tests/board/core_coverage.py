"""Line coverage of the core by its tests: `python -m tests.board.core_coverage [pytest arguments]`.

Builds the core with gcov's counters, runs the board's core tests on that library, and prints each file's share.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.board.test_core_build import CORE, HOST, INCLUDES

INSTRUMENTED = "LEANMIX_TEST_CORE"
TESTS = [
    "tests/board/test_core_image.py",
    "tests/board/test_core_messages.py",
    "tests/board/test_core_motion.py",
    "tests/board/test_core_vectors.py",
    "tests/board/test_frames_core.py",
]


def measured(arguments: list[str]) -> dict[str, tuple[int, int]]:
    """Lines run and lines there are, by file of the core."""
    with tempfile.TemporaryDirectory() as folder:
        library = Path(folder) / "core.so"
        sources = list(map(str, CORE + HOST))
        command = ["gcc", "-std=c99", "-O0", "--coverage", "-shared", "-fPIC", *INCLUDES, "-o", str(library), *sources]
        subprocess.run(command, check=True, cwd=folder)
        environment = {**os.environ, INSTRUMENTED: str(library)}
        pytest = [sys.executable, "-m", "pytest", "-q", "-p", "tests.board.core_coverage_plugin", *(arguments or TESTS)]
        subprocess.run(pytest, check=True, env=environment, stdout=subprocess.DEVNULL)
        found = {}
        for source in CORE:
            notes = f"core.so-{source.stem}.gcno"
            text = subprocess.run(["gcov", "-n", notes], check=True, cwd=folder, capture_output=True, text=True).stdout
            share, lines = re.search(rf"File '[^']*{source.name}'\nLines executed:([\d.]+)% of (\d+)", text).groups()
            found[source.name] = (round(float(share) * int(lines) / 100), int(lines))
        return found


if __name__ == "__main__":
    files = measured(sys.argv[1:])
    rows = [*files.items(), ("all", tuple(map(sum, zip(*files.values(), strict=True))))]
    for name, (run, lines) in rows:
        sys.stdout.write(f"{name:<20} {run:>5} of {lines:>5} lines  {100 * run / lines:6.1f} %\n")
