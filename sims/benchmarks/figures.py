"""What a benchmark is: our work against a peer's in the same run, repeated in turn, told as a ratio with its spread.

A module ``bench_NAME.py`` beside this one has ``measure(short: bool) -> list[Figure]``; `sims.benchmarks.run` finds it.
Times alone mean nothing on another machine, so none is stored: the baseline holds ratios.
"""

from __future__ import annotations

import math
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = ["Figure", "growth", "plain", "ratio"]


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a benchmark run.

    Attributes
    ----------
    name : str
        What was measured, for people; the baseline's key.
    value, low, high : float
        Median, least and greatest of the repeats, in `unit`.
    unit : str
        "×" for a ratio, "exponent" for growth; "ms", "s", "MB", "%" where a goal is given so.
    goal : float or None
        What it must reach; None where there is no goal.
    more_is_better : bool
        Which side of the goal is good.
    peer : str
        What it was held against in the same run.
    """

    name: str
    value: float
    low: float
    high: float
    unit: str
    goal: float | None
    more_is_better: bool
    peer: str

    @property
    def met(self) -> bool | None:
        """Whether the goal is met; None where there is none."""
        if self.goal is None:
            return None
        return bool(self.value >= self.goal if self.more_is_better else self.value <= self.goal)


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def ratio(
    name: str,
    ours: Callable[[], object],
    peer: Callable[[], object],
    *,
    peer_is: str,
    ours_items: float = 1.0,
    peer_items: float = 1.0,
    repeats: int = 5,
    goal: float | None = None,
) -> Figure:
    """How many times faster our work is than the peer's, an item against an item, run in turn.

    Parameters
    ----------
    name, peer_is : str
        What, and against what.
    ours, peer : callable
        The work; each is called once unmeasured first.
    ours_items, peer_items : float
        How many items one call does.
    repeats : int
        Pairs measured.
    goal : float, optional
        Least ratio wanted.
    """
    ours()
    peer()
    found = []
    for _ in range(repeats):
        a, b = _seconds(ours) / ours_items, _seconds(peer) / peer_items
        found.append(b / a)
    return Figure(name, statistics.median(found), min(found), max(found), "×", goal, True, peer_is)


def plain(
    name: str,
    values: Sequence[float],
    unit: str,
    *,
    goal: float | None = None,
    more_is_better: bool = False,
    peer: str = "",
) -> Figure:
    """A figure from repeated values, as they are."""
    # numpy's numbers do not go into JSON
    figures = (float(v) for v in (statistics.median(values), min(values), max(values)))
    return Figure(name, *figures, unit, goal, more_is_better, peer)


def growth(
    name: str,
    work: Callable[[int], Callable[[], object]],
    sizes: Sequence[int],
    *,
    repeats: int = 3,
    goal: float | None = None,
) -> Figure:
    """Exponent with which time grows over size: slope of the straight line through log time over log size.

    Parameters
    ----------
    name : str
        What grows.
    work : callable
        Size → the work of that size, ready to run.
    sizes : sequence of int
        At least three, growing.
    repeats : int
        Lines fitted.
    goal : float, optional
        Greatest exponent wanted.
    """
    found = []
    ready = [work(size) for size in sizes]
    for run in ready:
        run()
    for _ in range(repeats):
        points = [(math.log(size), math.log(_seconds(run))) for size, run in zip(sizes, ready, strict=True)]
        mx, my = (statistics.fmean(p[i] for p in points) for i in (0, 1))
        found.append(sum((x - mx) * (y - my) for x, y in points) / sum((x - mx) ** 2 for x, _ in points))
    return Figure(
        name,
        statistics.median(found),
        min(found),
        max(found),
        "exponent",
        goal,
        False,
        f"sizes {sizes[0]} to {sizes[-1]}",
    )
