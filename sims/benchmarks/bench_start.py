"""How long a user waits for the command line: help above a bare interpreter, and the whole tour."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time

from sims.benchmarks.figures import Figure, plain


def _run_s(*arguments: str) -> float:
    with tempfile.TemporaryDirectory() as folder:
        env = {**os.environ, "LEANMIX_HOME": folder}
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, *arguments], check=True, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        return time.perf_counter() - start


def measure(short: bool) -> list[Figure]:
    """Help and tour."""
    repeats = 5 if short else 15
    above = []
    for _ in range(repeats):
        bare = _run_s("-c", "pass")
        above.append(1000 * (_run_s("-m", "leanmix", "--help") - bare))
    tours = [_run_s("-m", "leanmix", "tour") for _ in range(2 if short else 4)]
    return [
        plain("help above a bare interpreter", above, "ms", goal=80, peer="python -c pass, in turn"),
        plain("tour, start to end", tours, "s", goal=10),
    ]
