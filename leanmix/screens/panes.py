"""Pictures that stand beside every view: the machine from the front and from above, the curve, the loads."""

from __future__ import annotations

import numpy as np

from leanmix.screens.above import above_sketch, above_window
from leanmix.screens.charts import Trace, bar, chart
from leanmix.screens.front import front_sketch, front_window
from leanmix.screens.grid import Grid
from leanmix.screens.reckon import STEERS, Moment, Reckoned
from leanmix.screens.sheet import Sheet
from leanmix.words import figure, percent, way

__all__ = ["AbovePane", "CurvePane", "FrontPane", "LoadPane"]


class FrontPane(Sheet):
    """The machine from the front, leaning."""

    def paint(self, grid: Grid) -> None:
        """Title, picture, scale; the last good pose in grey where the present text makes no machine."""
        desk = self.desk
        done, now = desk.shown, desk.now
        grid.put(0, 1, "Front", "head")
        grid.put(0, 7, "from behind: left is left", "faint", grid.columns - 8)
        if done is None or now is None:
            grid.put(2, 1, "Working it out …", "faint")
            return
        stale = desk.stale_why()
        sketch = front_sketch(done, now)
        beside = desk.compared
        window = front_window(done)
        if beside is not None and desk.now_compared is not None and not stale:
            ghost = front_sketch(beside, desk.now_compared, labels=False).in_one_ink("other")
            ghost.under(sketch)
            sketch = ghost
        if stale:
            sketch = sketch.in_one_ink("ghost")
        else:
            desk.mark_front(sketch)
        rows = grid.rows - 2
        scale = sketch.onto(grid, 1, 0, grid.columns, rows, window)
        foot = grid.rows - 1
        if stale:
            grid.put_words(1, 1, f"LAST GOOD POSE. {stale}", "bad", width=grid.columns - 2, rows=3)
        elif scale > 0:
            span = 50 if 50 / scale / 2 < grid.columns / 2 else 20
            cells = max(2, round(span / scale / 2))
            grid.put(foot, 1, f"├{'─' * (cells - 2)}┤ {span} mm", "faint", grid.columns - 2)
            lean = way(now.lean_deg)
            grid.put_right(foot, grid.columns - 1, f"lean {lean}" if now.stance is not None else "", "now")


class AbovePane(Sheet):
    """What the machine stands on, from above."""

    def paint(self, grid: Grid) -> None:
        """Title and picture."""
        desk = self.desk
        grid.put(0, 1, "From above", "head")
        grid.put(0, 12, "nose up; CG inside the lines stands", "faint", grid.columns - 13)
        if desk.shown is None or desk.now is None:
            return
        sketch = above_sketch(desk.shown, desk.now)
        if desk.stale_why():
            sketch = sketch.in_one_ink("ghost")
        sketch.onto(grid, 1, 0, grid.columns, grid.rows - 1, above_window(desk.shown))


class CurvePane(Sheet):
    """Arm over steer, as sent and as it would go without caps."""

    def paint(self, grid: Grid) -> None:
        """Title and chart."""
        desk = self.desk
        grid.put(0, 1, "Curve", "head")
        if desk.shown is None or desk.now is None:
            return
        arm_chart(grid, 1, 0, grid.columns, grid.rows - 1, desk.shown, desk.now)


def arm_chart(grid: Grid, row: int, column: int, columns: int, rows: int, done: Reckoned, now: Moment) -> None:
    """Arm over steer, as held by the caps and as wanted without them."""
    chart(
        grid, row, column, columns, rows,
        (
            Trace("sent", STEERS, done.held_deg, "strong"),
            Trace("without caps", STEERS, _near(done), "faint", 3),
        ),
        x_title="steer", y_title="arm, °", y_ways=True, here=now.position.steer, turned=True,
        x_words=("full left", "full right"),
    )  # fmt: skip


def _near(done: Reckoned) -> np.ndarray:
    # what was wanted may lie far beyond the caps: no chart should shrink for it
    top = np.nanmax(np.abs(done.held_deg)) if np.isfinite(done.held_deg).any() else 0.0
    return np.where(np.abs(done.wanted_deg) <= 1.4 * top + 1, done.wanted_deg, np.nan)


class LoadPane(Sheet):
    """Runner loads, rear load and torque as bars."""

    def paint(self, grid: Grid) -> None:
        """One bar each."""
        desk = self.desk
        now = desk.now
        grid.put(0, 1, "Loads", "head")
        if desk.shown is None or now is None or now.stance is None:
            return
        s = now.stance
        weight = max(float(s.runner_load_left_N + s.runner_load_right_N + s.rear_load_N), 1e-9)
        rows = (
            ("left runner", float(s.runner_load_left_N) / weight, f"{figure(float(s.runner_load_left_N))} N"),
            ("right runner", float(s.runner_load_right_N) / weight, f"{figure(float(s.runner_load_right_N))} N"),
            ("rear", float(s.rear_load_N) / weight, f"{figure(float(s.rear_load_N))} N"),
            ("left spring", float(s.spring_left_N) / weight, f"{figure(float(s.spring_left_N))} N"),
            ("right spring", float(s.spring_right_N) / weight, f"{figure(float(s.spring_right_N))} N"),
            ("servo", abs(now.torque_share), f"{percent(abs(now.torque_share))} of stall"),
        )
        for i, (name, share, text) in enumerate(rows):
            grid.put(2 + i, 1, name, "faint")
            bar(grid, 2 + i, 15, max(0, grid.columns - 32), share, "spring" if i < 5 else "moving")
            grid.put(2 + i, max(16, grid.columns - 15), text, "strong")
        grid.put(9, 1, "bars of load: share of the machine's weight", "faint")
