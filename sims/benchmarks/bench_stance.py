"""Balanced poses at once against one at a time with a general root finder, same machine, same poses, one core.

The set is Tarn with a stiffer rear, so that it holds lifted runners as well as shocks pulled right out. The root finder
gets the same forces, compiled and in plain numpy, and starts from the pose at rest; poses that it does not find count
as found.
"""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
from scipy.optimize import root

from leanmix.machine import demo, values
from leanmix.stance import balance, formula, stance_setup
from leanmix.stance.balance import mount_pushes_mm
from leanmix.stance.whole import force_of, push_of, whole
from sims.benchmarks.figures import Figure, plain, ratio

POSES = 100_000
ALONE = 60
GOAL = 1_000.0


def measure(short: bool = False) -> list[Figure]:
    """Ratio against one at a time, and the share of standing poses that are found."""
    machine = demo("tarn").machine
    numbers = values(machine)
    setup = stance_setup(machine, numbers.changed({"rear.roll_stiffness_N_m_per_rad": 25.0}))
    rows = 100 if short else 400
    throws, turns = np.linspace(-50, 50, rows), np.linspace(-0.6, 0.6, POSES // 400)
    rng = np.random.default_rng(1)
    some = [(rng.choice(throws), rng.choice(turns)) for _ in range(ALONE)]
    found = balance(setup, throws[:, None], turns)

    def alone() -> None:
        for throw, turn in some:
            left, right = mount_pushes_mm(setup, throw)
            force, push = force_of(np.array([turn]), np.zeros(1)), push_of(setup.sides, np.array([[left], [right]]))
            grounded = np.ones((2, 1), dtype=bool)

            def left_over(x: np.ndarray, force=force, push=push, grounded=grounded) -> list[float]:  # type: ignore
                pose = np.array([x[0], x[1] / 100, x[2] / 100, x[3] / 100])[:, None]
                w = whole(setup.sides, setup.body, force, push, pose, grounded)
                gap = [min(float(h), float(n)) for h, n in zip(w.height[:, 0], w.load[:, 0], strict=True)]
                return [float(w.lift_left[0]), float(w.moment_left[0]) / 100, *gap]

            root(left_over, np.zeros(4))

    def alone_in_numpy() -> None:
        with patch.object(formula, "compiled_sums", return_value=None):
            alone()

    return [
        *(
            ratio(
                name,
                lambda: balance(setup, throws[:, None], turns),
                peer,
                peer_is=f"scipy.optimize.root one at a time, {forces}",
                ours_items=float(found.ok.size),
                peer_items=ALONE,
                repeats=1 if short else 3,
                goal=goal,
            )
            for name, peer, forces, goal in (
                ("balanced poses at once", alone, "on the compiled forces", GOAL),
                ("balanced poses at once, peer in numpy", alone_in_numpy, "on the same forces in plain numpy", None),
            )
        ),
        plain("share of poses with an answer", [100 * float(found.ok.mean())], "%", goal=100.0, more_is_better=True),
        plain(
            "of them with a runner in the air",
            [100 * float((~(found.grounded_left & found.grounded_right)).mean())],
            "%",
        ),
        plain(
            "of them with an arm on the chassis",
            [100 * float((found.touching_left | found.touching_right).mean())],
            "%",
        ),
        plain(
            "of them with a shock pulled right out", [100 * float((found.topped_left | found.topped_right).mean())], "%"
        ),
    ]
