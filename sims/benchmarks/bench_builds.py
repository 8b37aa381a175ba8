"""Many builds of Tarn at once against the same builds one at a time, on one core.

The goal is 100,000 builds in about 5 s on one core, and at least 300 times as many in a second as one at a time.
"""

from __future__ import annotations

import time

import numpy as np

from leanmix.machine import Numbers, demo, draw_builds
from leanmix.stops import first_blocks_of, stops_of_builds
from sims.benchmarks.figures import Figure, plain, ratio

BUILDS = 100_000
ALONE = 40
GOAL_RATIO = 300.0
GOAL_S = 5.0


def measure(short: bool = False) -> list[Figure]:
    """Ratio against one at a time, processor seconds for all of them, and that both say the same."""
    machine = demo("tarn").machine
    count = BUILDS // 10 if short else BUILDS
    drawn = draw_builds(machine, count)
    singles = [
        Numbers({k: float(v[i]) if isinstance(v, np.ndarray) else v for k, v in drawn.items()}) for i in range(ALONE)
    ]
    speed = ratio(
        "stops of many builds at once",
        lambda: first_blocks_of(machine, drawn),
        lambda: [first_blocks_of(machine, one) for one in singles],
        peer_is="one build at a time",
        ours_items=count,
        peer_items=ALONE,
        repeats=1 if short else 3,
        goal=GOAL_RATIO,
    )
    seconds = []
    for _ in range(1 if short else 3):
        begin = time.process_time()
        many = stops_of_builds(machine, count)
        seconds.append((time.process_time() - begin) * BUILDS / count)
    apart = [
        max(abs(left[0] - many.left.first_block_deg[i]), abs(right[0] - many.right.first_block_deg[i]))
        for i, (left, right) in enumerate(first_blocks_of(machine, one) for one in singles)
    ]
    return [
        speed,
        plain("processor time for 100,000 builds of Tarn", seconds, "s", goal=GOAL_S),
        plain("greatest difference, at once and alone", [max(apart)], "°", goal=1e-6),
    ]


if __name__ == "__main__":
    for figure in measure():
        print(
            f"{figure.name}: {figure.value:.4g} {figure.unit} ({figure.low:.4g} to {figure.high:.4g}), goal {figure.goal}"
        )
