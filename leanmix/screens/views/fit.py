"""Fit: what the parts come to when they go together, and what they do over the throw."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leanmix.screens.charts import Level, Trace, chart
from leanmix.screens.grid import Grid
from leanmix.screens.reckon import Reckoned
from leanmix.screens.views.base import View
from leanmix.stops import Loads, NeutralSide
from leanmix.words import figure, percent, signed

__all__ = ["FitView", "view"]

Array = NDArray[np.float64]

CHARTS = ("torque", "push", "link angle", "mount travel", "clearance", "shock length", "speed")


class FitView(View):
    """Neutral figures above, a chart over the throw below."""

    name_of_view = "fit"

    def __init__(self) -> None:
        super().__init__()
        self._chart = 0

    def paint(self, grid: Grid) -> None:
        """Figures and chart."""
        done = self.desk.shown
        if done is None or done.ladder is None:
            grid.put_words(1, 1, self.desk.stale_why() or "Working it out …", "faint", width=grid.columns - 2)
            return
        row = self._neutral(grid, done)
        if grid.rows - row >= 24:
            half = (grid.rows - row) // 2
            self._one_chart(grid, row, half, done, self._chart)
            self._one_chart(grid, row + half, grid.rows - row - half, done, (self._chart + 1) % len(CHARTS))
        else:
            self._one_chart(grid, row, grid.rows - row, done, self._chart)

    def _neutral(self, grid: Grid, done: Reckoned) -> int:
        ladder = done.ladder
        if ladder is None:
            return 0
        n = ladder.neutral
        width = grid.columns - 2
        grid.put(0, 1, "Arm centred", "head")
        end = grid.columns - 1
        at = (end - 13, end)
        for column, name in zip(at, ("left", "right"), strict=True):
            grid.put_right(0, column, name, "faint")
        rows: Sequence[tuple[str, float, float, int, str]] = (
            ("link, ball to ball", n.left.link_length_mm, n.right.link_length_mm, 2, " mm"),
            ("rod to cut for it", n.left.rod_length_mm, n.right.rod_length_mm, 1, " mm"),
            ("mount, from wanted", -n.left.mount_low_mm, -n.right.mount_low_mm, 2, " mm"),
            ("link off its guide", n.left.link_off_guide_deg, n.right.link_off_guide_deg, 1, "°"),
            (f"ball tilt (of {_swing(n.left)})", n.left.ball_tilt_deg, n.right.ball_tilt_deg, 1, "°"),
        )
        for i, (name, left, right, places, unit) in enumerate(rows):
            grid.put(1 + i, 1, name, "faint", at[0] - 14)
            for column, value in zip(at, (left, right), strict=True):
                grid.put_right(1 + i, column, figure(abs(value), places) + unit + _which(name, value, places), "strong")
        row = 1 + len(rows)
        span = f"arm {figure(n.arm_span_mm)} mm ball to ball, mounts {figure(n.mount_span_mm)} mm"
        row = grid.put_words(row, 1, span, "plain", width=width, rows=2)
        for i, tooth in enumerate(n.tooth):
            name = "spline" if len(n.tooth) == 1 else f"spline {('left', 'right')[i]}"
            turn = (
                "as it is"
                if tooth.teeth == 0
                else f"{abs(tooth.teeth)} teeth {'up' if tooth.teeth > 0 else 'down'} on the left"
            )
            end_for_end = ", arm end for end" if tooth.end_for_end else ""
            text = f"{name}: {turn}{end_for_end}; {signed(tooth.trim_deg)}° ({signed(tooth.trim_us, 0)} µs) to trim"
            row = grid.put_words(row, 1, text, "plain", width=width, rows=2)
        return row

    def _one_chart(self, grid: Grid, row: int, rows: int, done: Reckoned, which: int) -> None:
        if done.ladder is None or rows < 5:
            return
        traces, title, levels = _traces(done, CHARTS[which], done.ladder.loads)
        throw = self.desk.now.throw_deg if self.desk.now is not None else None
        hint = f"v: {CHARTS[(which + 1) % len(CHARTS)]}" if which == self._chart else ""
        grid.put_right(row, grid.columns - 1, hint, "keycap")
        chart(
            grid, row, 0, grid.columns - 1, rows, traces, x_title="servo arm, °", y_title=title, turned=True, x_ways=True, legend_room=len(hint) + 1,
            here=throw, levels=[*levels, *_caps(done)],
        )  # fmt: skip

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        return [("v", "other chart")]

    def about(self) -> list[tuple[str, str]]:
        """What the charts show."""
        return [
            ("", "plain"),
            ("Torque: what the servo must give going on away from neutral and coming back, guides at the rough end of "
             "their friction range; dotted: without friction.", "plain"),
            ("Push: share of a push in the link that comes out along the guide. At the jam margin it counts as jammed.", "plain"),
        ]  # fmt: skip

    def action_show_next(self) -> None:
        """Another chart."""
        self._chart = (self._chart + 1) % len(CHARTS)
        self.desk.repaint()

    def figures_out(self) -> list[list[str]]:
        """Figures over the throw."""
        done = self.desk.shown
        if done is None or done.ladder is None:
            return []
        loads = done.ladder.loads
        columns: list[tuple[str, Array]] = [("arm [deg left]", loads.throw_deg), ("lean [deg left]", loads.lean_deg)]
        for i, side in enumerate(("left", "right")):
            columns += [
                (f"{side} mount down [mm]", loads.push_mm[i]), (f"{side} link off guide [deg]", loads.link_off_guide_deg[i]),
                (f"{side} push share low", loads.push_share_low[i]), (f"{side} push share high", loads.push_share_high[i]),
                (f"{side} shock [mm]", loads.shock_length_mm[i]),
            ]  # fmt: skip
        for i, torque in enumerate(loads.torque_out_N_mm):
            columns += [
                (f"servo {i + 1} torque out [N mm]", torque),
                (f"servo {i + 1} torque back [N mm]", loads.torque_back_N_mm[i]),
            ]
        return [
            [name for name, _ in columns],
            *([f"{v:.6g}" for v in row] for row in zip(*(c for _, c in columns), strict=True)),
        ]


def _which(name: str, value: float, places: int) -> str:
    if float(f"{abs(value):.{places}f}") == 0:
        return ""
    if name.startswith("mount"):
        return " high" if value > 0 else " low"
    return (" out" if value > 0 else " in") if name.startswith("link off") else ""


def _swing(side: NeutralSide) -> str:
    return f"{figure(side.ball_swing_deg, 0)}°"


def _caps(done: Reckoned) -> list[Level]:
    if done.caps is None:
        return []
    return [
        Level(done.caps.left.throw_deg, "cap", "good", upright=True),
        Level(-done.caps.right.throw_deg, "cap", "good", upright=True),
    ]


def _traces(done: Reckoned, which: str, loads: Loads) -> tuple[list[Trace], str, list[Level]]:
    x = loads.throw_deg
    if which == "torque":
        traces = []
        for i, (out, back) in enumerate(zip(loads.torque_out_N_mm, loads.torque_back_N_mm, strict=True)):
            name = "" if len(loads.torque_out_N_mm) == 1 else f"{('left', 'right')[i]} "
            limit = 1.3 * loads.torque_allowed_N_mm
            traces.append(Trace(f"{name}out", x, np.where(np.abs(out) < limit, out, np.nan), "strong"))
            traces.append(Trace(f"{name}back", x, np.where(np.abs(back) < limit, back, np.nan), "spring", 2))
        most = max(float(np.nanmax(np.abs(np.asarray(t.ys)), initial=0.0)) for t in traces)
        levels = [Level(loads.torque_allowed_N_mm, "allowed", "warn")] if most > 0.3 * loads.torque_allowed_N_mm else []
        return traces, "torque, N mm", levels
    if which == "push":
        shares = [
            Trace(f"{side} {name}", x, 100 * np.asarray(pair[i]), ("strong", "spring")[i], every)
            for name, pair, every in (("slick", loads.push_share_low, 3), ("rough", loads.push_share_high, 1))
            for i, side in enumerate(("left", "right"))
        ]
        margin = float(done.numbers["limits.jam_margin"])
        return shares, "of a push, %", [Level(100 * margin, f"jam margin {percent(margin)}", "bad")]
    if which == "link angle":
        return _sides(x, loads.link_off_guide_deg), "link off guide, °", []
    if which == "mount travel":
        return _sides(x, tuple(-p for p in loads.push_mm)), "mount up, mm", []
    if which == "shock length":
        return _sides(x, loads.shock_length_mm), "eye to eye, mm", []
    if which == "speed":
        return (
            [Trace("warm", x, loads.speed_deg_per_s), Trace("cold", x, loads.speed_cold_deg_per_s, "spring", 3)],
            "servo, °/s",
            [],
        )
    ladder = done.ladder
    gaps = () if ladder is None else ladder.clearances
    near = sorted(gaps, key=lambda g: float(np.nanmin(g.gap_mm, initial=np.inf)))[:4]
    inks = ("strong", "spring", "warn", "faint")
    traces = [
        Trace(f"{g.parts[1]} {g.side}", g.throw_deg, np.where(g.gap_mm < 30, g.gap_mm, np.nan), inks[i], 1 + i)
        for i, g in enumerate(near)
    ]
    margin = near[0].margin_mm if near else 0.0
    return traces, "gap, mm", [Level(margin, f"counts as touching: {figure(margin)} mm", "bad")] if near else []


def _sides(x: Array, pair: Sequence[Array]) -> list[Trace]:
    return [Trace("left", x, pair[0], "strong"), Trace("right", x, pair[1], "spring", 3)]


def view() -> FitView:
    """The view."""
    return FitView()
