"""How far the balance is from the engine, machine by machine: python -m sims.studies.stance_against_engine [names]

A name is a demo's or a number for a machine that nobody built. 13 throws by 25 turns between the folds (325 poses),
in the front view and in space; prints poses settled and the greatest differences without and with a stop engaged.
"""

from __future__ import annotations

import sys

import numpy as np

from leanmix.machine import demo, parse
from leanmix.stance import TURNS, balance, stance_setup, tip_limits
from sims.reference.grid import engine_grid
from sims.reference.plain_file import read
from sims.reference.random_machine import random_machine

THROW_DEG = {"tarn": 48.0, "wren": 45.0, "moss": 25.0}


def compare(text: str, throw_deg: float, *, planar: bool, throws: int = 13, turns: int = 25) -> str:
    """One line on one machine."""
    arm = np.linspace(-throw_deg, throw_deg, throws)
    setup = stance_setup(parse(text).machine, pitch=not planar)
    ends = [0.96 * np.minimum(tip_limits(setup, arm, turn).gives_way_g, 1.2) for turn in reversed(TURNS)]
    lateral = -ends[0][:, None] + np.linspace(0, 1, turns) * (ends[0] + ends[1])[:, None]
    ours = balance(setup, arm[:, None], lateral)
    engine = engine_grid(read(text), arm, lateral, ours.ok, planar=planar)
    stops = (
        ours.topped_left,
        ours.topped_right,
        ours.solid_left,
        ours.solid_right,
        ours.touching_left,
        ours.touching_right,
    )
    at_stop = np.any(stops, axis=0)
    lean = np.abs(ours.lean_deg - engine.lean_deg)
    loads = (ours.runner_load_left_N - engine.load_left_N, ours.runner_load_right_N - engine.load_right_N)
    load = np.max(np.abs(loads), axis=0)
    line = f"{'front view' if planar else 'in space':10}  {ours.ok.sum()} poses, {engine.settled.sum()} settled"
    for word, where in (("free", engine.settled & ~at_stop), ("stop", engine.settled & at_stop)):
        most = f"{lean[where].max(initial=0):.4f}° {load[where].max(initial=0):.4f} N"
        line += f"; {word} {where.sum()}: {most}"
    return line


def main() -> None:
    """Print the table."""
    for name in sys.argv[1:] or [*THROW_DEG, *map(str, range(20))]:
        text = random_machine(int(name)) if name.isdigit() else demo(name).text
        for planar in (True, False):
            print(f"{name:5} {compare(text, THROW_DEG.get(name, 42.0), planar=planar)}", flush=True)


if __name__ == "__main__":
    main()
