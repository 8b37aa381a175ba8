"""How time grows with the number of shapes, knots, builds, poses and runs, as exponents; and peak memory of each at its most."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import numpy as np

from leanmix.curve import make_plan, plan_pulses_us
from leanmix.job import work_out
from leanmix.machine import demo, parse
from leanmix.response import contender, drive, load_manoeuvre, make_runs, picks_of
from leanmix.stance import balance, stance_setup
from leanmix.stops import find_stops, stops_of_builds
from sims.benchmarks.figures import Figure, growth, plain

Work = Callable[[], object]
TARN = demo("tarn")
KB_PER_MB = 1024.0
FULL = {
    "a machine checked": "from leanmix.job import work_out; from leanmix.machine import demo; work_out(demo('tarn')).proved",
    "100,000 builds": "from leanmix.machine import demo; from leanmix.stops import stops_of_builds; stops_of_builds(demo('tarn').machine, {n} * 100_000 // 100)",
    "100,000 poses": "import numpy as np; from leanmix.job import work_out; from leanmix.machine import demo; from leanmix.stance import balance\n"
    "balance(work_out(demo('tarn')).setup, np.linspace(-50, 50, 4 * {n})[:, None], np.linspace(-0.6, 0.6, 250))",
    "1,000 runs": "import numpy as np; from leanmix.job import work_out; from leanmix.machine import demo\n"
    "from leanmix.response import contender, drive, load_manoeuvre, make_runs, picks_of\n"
    "drive(make_runs([contender(work_out(demo('tarn')))], [load_manoeuvre('step')], picks_of(0, 0, np.linspace(1, 3, 10 * {n}), 0.5)))",
}  # fmt: skip


def with_shapes(count: int) -> Work:
    """Every stop of Tarn with so many discs under the servo arm, each to be kept clear of it."""
    parts = "".join(
        f'[[part]]\nname = "disc {i}"\non = "chassis"\npoints = [{{ out_mm = {i % 9}, up_mm = {1 + i // 9} }}]\nradius_mm = 0.2\n'
        f'[[clearance]]\nbetween = ["servo arm", "disc {i}"]\n'
        for i in range(count)
    )
    machine = parse(f"{TARN.text}\n{parts}").machine
    return lambda: find_stops(machine)


def with_knots(count: int) -> Work:
    """The exact mapping of every input count, the lean asked for through so many knots."""
    job = work_out(TARN)
    asked = job.machine.lean.model_copy(
        update={"left_deg": None, "right_deg": None, "knots": tuple((float(s), 7.0 * float(s)) for s in np.linspace(-1, 1, count))}
    )  # fmt: skip
    machine = job.machine.model_copy(update={"lean": asked})
    steer = np.linspace(-1, 1, 8001)
    return lambda: plan_pulses_us(make_plan(machine, job.numbers, job.caps, job.reachable_lean), steer)


def with_builds(count: int) -> Work:
    """So many builds of Tarn, their stops."""
    return lambda: stops_of_builds(TARN.machine, count)


def with_poses(count: int) -> Work:
    """So many balanced poses."""
    setup = stance_setup(TARN.machine)
    throws, turns = np.linspace(-50, 50, count // 50), np.linspace(-0.6, 0.6, 50)
    return lambda: balance(setup, throws[:, None], turns)


def with_runs(count: int) -> Work:
    """So many steer steps in time."""
    runs = make_runs(
        [contender(work_out(TARN))], [load_manoeuvre("step")], picks_of(0, 0, np.linspace(1, 3, count), 0.5)
    )
    return lambda: drive(runs)


def peak_mb(code: str) -> float:
    """Peak memory of a fresh interpreter that runs this [MB]."""
    # not getrusage: its greatest size is handed down from whoever started the interpreter
    words = f"{code}\nprint(next(r for r in open('/proc/self/status') if r.startswith('VmHWM')).split()[1])"
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    return float(done.stdout.split()[-1]) / KB_PER_MB


def measure(short: bool = False) -> list[Figure]:
    """Exponents, and megabytes."""
    times = 1 if short else 3
    few, some, many = (1, 3, 9) if short else (4, 12, 36)
    figures = [
        growth("growth with shapes", with_shapes, (10, 30, 90), repeats=times, goal=1.1),
        growth("growth with knots of the curve", with_knots, (5, 13, 33), repeats=times, goal=1.1),
        growth("growth with builds", with_builds, [1000 * k for k in (few, some, many)], repeats=times, goal=1.1),
        growth("growth with poses", with_poses, [1000 * k for k in (few, some, many)], repeats=times, goal=1.1),
        growth("growth with runs", with_runs, [30 * k for k in (few, some, many)], repeats=times, goal=1.1),
    ]
    size = 10 if short else 100
    return figures + [
        plain(
            f"peak memory, {what}" + (" / 10" if short and "{n}" in code else ""), [peak_mb(code.format(n=size))], "MB"
        )
        for what, code in FULL.items()
    ]
