"""The balance against an independent engine (MuJoCo) built from the machine file alone, in the front view and in space.

Source of every expected value: the engine run here (sims/reference/engine.py). What difference remains is explained
in sims/reference/README.md. LEANMIX_DEEP=1 runs 13 throws by 25 turns (325 poses) on each demo and on 20 machines that
nobody built, each way; the default run takes a few of each.
"""

from __future__ import annotations

import os

import numpy as np
import pytest

from leanmix.machine import demo, parse
from leanmix.stance import TURNS, balance, stance_setup, tip_limits
from sims.reference.grid import engine_grid
from sims.reference.plain_file import read
from sims.reference.random_machine import random_machine

DEEP = os.environ.get("LEANMIX_DEEP") == "1"
THROW_DEG = {"tarn": 48.0, "wren": 45.0, "moss": 25.0}
RANDOM = range(20) if DEEP else (1, 13)
# nearer its fold a pose is so soft that the engine's settling would be judged, not the balance
SHY_OF_FOLD = 0.96
LEFT_UNSETTLED = 0.1


def _machines() -> list[tuple[str, str, float]]:
    demos = [(name, demo(name).text, throw) for name, throw in THROW_DEG.items()]
    return demos + [(f"random {k}", random_machine(k), 42.0) for k in RANDOM]


def _hold_against_engine(text: str, throw_deg: float, *, planar: bool, tight: tuple[float, float], few: int) -> None:
    throws = np.linspace(-throw_deg, throw_deg, 13) if DEEP else np.array([-0.6, 1.0])[: 1 + few // 8] * throw_deg
    setup = stance_setup(parse(text).machine, pitch=not planar)
    ends = [SHY_OF_FOLD * np.minimum(tip_limits(setup, throws, turn).gives_way_g, 1.2) for turn in reversed(TURNS)]
    share = np.linspace(0, 1, 25 if DEEP else few // (1 + few // 8) + 1)
    turns = -ends[0][:, None] + share * (ends[0] + ends[1])[:, None]
    ours = balance(setup, throws[:, None], turns)
    wanted = ours.ok
    assert wanted.mean() > 0.99
    engine = engine_grid(read(text), throws, turns, wanted, planar=planar)
    both = wanted & engine.settled
    assert both.sum() >= (1 - LEFT_UNSETTLED) * wanted.sum() > 0
    at_stop = np.any(
        [
            ours.topped_left,
            ours.topped_right,
            ours.solid_left,
            ours.solid_right,
            ours.touching_left,
            ours.touching_right,
        ],
        axis=0,
    )
    lean = np.abs(ours.lean_deg - engine.lean_deg)
    load = np.maximum(
        np.abs(ours.runner_load_left_N - engine.load_left_N), np.abs(ours.runner_load_right_N - engine.load_right_N)
    )
    for where, (lean_deg, load_N) in ((both & ~at_stop, tight), (both & at_stop, (0.1, 0.2))):
        assert lean[where].max(initial=0.0) <= lean_deg
        assert load[where].max(initial=0.0) <= load_N


@pytest.mark.parametrize(("name", "text", "throw"), _machines())
def test_front_view(name: str, text: str, throw: float) -> None:
    _hold_against_engine(text, throw, planar=True, tight=(0.02, 0.02), few=8)


@pytest.mark.parametrize(("name", "text", "throw"), _machines())
def test_in_space(name: str, text: str, throw: float) -> None:
    _hold_against_engine(text, throw, planar=False, tight=(0.1, 0.2), few=6)
