"""Drive: the machine in time through a manoeuvre, with its lean and without, and beside another machine."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from leanmix.errors import LeanmixError
from leanmix.job import Job
from leanmix.response import (
    MANOEUVRES,
    DriveReport,
    GripEnd,
    Row,
    contender,
    grip_range,
    load_manoeuvre,
    report_drive,
    trace_rows,
)
from leanmix.screens.charts import Trace, chart
from leanmix.screens.grid import Grid
from leanmix.screens.views.base import View
from leanmix.words import figure, percent

__all__ = ["DriveView", "view"]

NOTE = "Grip, drag and slip are estimates; no bumps, ruts or wind. Use it to compare, and drive with room to spare."
SPEED_STEP = 0.5
SPEED_MAX = 40.0
STYLES = (("strong", 1), ("spring", 3), ("other", 1), ("other", 3))


@dataclass(slots=True)
class Search:
    """A search for the fastest pass: written by its thread, read when the view is painted.

    `over` is set when the screens end.
    """

    over: threading.Event
    done: int = 0
    of: int = 0
    ended: threading.Event = field(default_factory=threading.Event)

    def cancelled(self) -> bool:
        """Whether the builder ended it, or the screens are over."""
        return self.ended.is_set() or self.over.is_set()

    def tell(self, done: int, of: int) -> None:
        """So many of so many runs are driven."""
        self.done, self.of = done, of


class DriveView(View):
    """A manoeuvre, its figures and its traces."""

    name_of_view = "drive"

    def __init__(self) -> None:
        super().__init__()
        self._at = 0
        self._ground = 0
        self._speed: float | None = None
        self._report: DriveReport | None = None
        self._of: tuple[object, ...] = ()
        self._driving = False
        self._trouble = ""
        self._chart = 0
        self._search: Search | None = None
        self._search_next = False

    @property
    def working(self) -> bool:
        """Whether something goes on that shows how far it is."""
        return self._search is not None

    def _manoeuvre(self) -> str:
        return MANOEUVRES[self._at % len(MANOEUVRES)]

    def _surface(self) -> str | None:
        surfaces = self.desk.store.good.machine.surfaces
        return surfaces[self._ground % len(surfaces)].name if surfaces else None

    # --- painting -------------------------------------------------------------------------------

    def paint(self, grid: Grid) -> None:
        """What is driven, figures, traces."""
        width = grid.columns - 2
        at = self._at % len(MANOEUVRES)
        if sum(len(name) + 3 for name in MANOEUVRES) < grid.columns:
            column = 1
            for i, name in enumerate(MANOEUVRES):
                column = grid.put(0, column, f" {name} ", "stripmark" if i == at else "plain") + 1
        else:
            column = grid.put(0, 1, f" {MANOEUVRES[at]} ", "stripmark")
            grid.put(0, column + 1, f"{at + 1} of {len(MANOEUVRES)}, Tab: the next", "faint", max(0, width - column))
        asked = load_manoeuvre(self._manoeuvre())
        speed = asked.pace.speed_m_per_s.at if self._speed is None else self._speed
        row = grid.put_words(1, 1, asked.about.strip().replace("\n", " "), "faint", width=width, rows=2)
        ground = self._surface() or "no ground in the file: an estimate"
        grid.put(row, 1, f"{figure(speed)} m/s on {ground}", "strong", width)
        row += 1
        if self._search is not None:
            share = self._search.done / max(self._search.of, 1)
            grid.put(row, 1, f"looking for the fastest pass: {percent(share)} driven; j ends it", "now", width)
            row += 1
        elif self._driving:
            grid.put(row, 1, "driving …", "now", width)
            return
        if self._trouble:
            grid.put_words(row, 1, f"✕ {self._trouble}", "bad", width=width, rows=4)
            return
        if self._report is None:
            row = grid.put_words(
                row + 1,
                1,
                "Enter drives it: with lean, without, and the machine compared with. j looks for the fastest pass too.",
                "plain",
                width=width,
                rows=3,
            )
            grid.put_words(row, 1, NOTE, "warn", width=width, rows=3)
            return
        if self._of != self._now():
            grid.put(row, 1, "▲ of before the last change: Enter drives it again", "warn", width)
            row += 1
        row = self._figures(grid, row, self._report)
        self._charts(grid, row, self._report)

    def _figures(self, grid: Grid, row: int, report: DriveReport) -> int:
        names = [r.name for r in report.rows]
        each = max(10, (grid.columns - 20) // max(len(names), 1))
        for i, name in enumerate(names):
            ink_name, _ = STYLES[i % len(STYLES)]
            grid.put(row, 20 + i * each, name, ink_name, each - 1)
        row += 1
        room = grid.rows - row - 7
        for title, say in _ROWS:
            texts = [say(r) for r in report.rows]
            if room <= 0 or all(t == "—" for t in texts):
                continue
            grid.put(row, 1, title, "faint", 18)
            for i, text in enumerate(texts):
                grid.put(row, 20 + i * each, text, "bad" if text.startswith("tips") else "plain", each - 1)
            row += 1
            room -= 1
        return row

    def _charts(self, grid: Grid, row: int, report: DriveReport) -> None:
        rows = grid.rows - row
        two = rows >= 16
        each = rows // 2 if two else rows
        for k in range(2 if two else 1):
            title, channel, scale, ways = _CHARTS[(self._chart + k) % len(_CHARTS)]
            traces = []
            for i, (one, t) in enumerate(zip(report.rows, report.traces, strict=True)):
                ink_name, every = STYLES[i % len(STYLES)]
                traces.append(Trace(one.name, t.time_s, scale * t[channel][:, 0], ink_name, every))
            if channel == "lean_deg":
                first = report.traces[0]
                traces.append(
                    Trace(
                        "wheel, to scale",
                        first.time_s,
                        _scaled(first["wheel_deg"][:, 0], np.asarray(traces[0].ys)),
                        "faint",
                        4,
                    )
                )
            chart(
                grid, row + k * each, 0, grid.columns, each, traces, x_title="time, s", y_title=title, y_ways=ways,
            )  # fmt: skip

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        return [
            ("Tab", "manoeuvre"),
            ("Enter", "drive"),
            ("+ −", "speed"),
            ("g", "ground"),
            ("v", "other traces"),
            ("j", "fastest pass"),
        ]

    def about(self) -> list[tuple[str, str]]:
        """What the model is."""
        return [("", "plain"), (NOTE, "warn")]

    def figures_out(self) -> list[list[str]]:
        """The traces."""
        return [] if self._report is None else trace_rows(self._report)

    # --- actions --------------------------------------------------------------------------------

    def _now(self) -> tuple[object, ...]:
        desk = self.desk
        return (desk.store.serial, self._manoeuvre(), self._surface(), self._speed, id(desk.compared))

    def action_next_manoeuvre(self, step: int) -> None:
        """Another manoeuvre, at its own speed."""
        self._at = (self._at + step) % len(MANOEUVRES)
        self._speed = None
        self._trouble = ""
        self.repaint()

    def action_faster(self, step: int) -> None:
        """Half a metre a second more or less."""
        asked = load_manoeuvre(self._manoeuvre()).pace.speed_m_per_s.at
        speed = (asked if self._speed is None else self._speed) + step * SPEED_STEP
        self._speed = min(max(speed, SPEED_STEP), SPEED_MAX)
        self.repaint()

    def action_ground(self) -> None:
        """Another ground."""
        self._ground += 1
        self.repaint()

    def action_show_next(self) -> None:
        """Other traces."""
        self._chart = (self._chart + 1) % len(_CHARTS)
        self.repaint()

    def action_drive(self) -> None:
        """Drive it, in a thread of its own."""
        self._drive(None)

    def action_fastest(self) -> None:
        """Look for the fastest pass too, after what is being driven now; again to end the search."""
        if self._search is not None:
            self._search.ended.set()
            self._search = None
            self.desk.say("The search for the fastest pass was ended.", "faint")
            self.repaint()
        elif "fastest" not in load_manoeuvre(self._manoeuvre()).report:
            self.desk.say("This manoeuvre has no pass that could be fastest.", "faint")
        elif self._driving:
            self._search_next = not self._search_next
            begins = "begins" if self._search_next else "no longer begins"
            self.desk.say(f"The search for the fastest pass {begins} once this is driven.", "faint")
        else:
            self._drive(Search(self.desk.over))

    def _drive(self, search: Search | None) -> None:
        desk = self.desk
        done = desk.done
        if self._driving or self._search is not None:
            return
        if (
            done is None
            or done.job is None
            or done.table is None
            or done.serial != desk.store.serial
            or desk.stale_why()
        ):
            desk.say("The table of the file as it stands is not there yet.", "warn")
            return
        jobs = [done.job]
        if desk.compared is not None and desk.compared.job is not None:
            jobs.append(desk.compared.job)
        self._driving, self._search, self._trouble = search is None, search, ""
        of, name, surface, speed = self._now(), self._manoeuvre(), self._surface(), self._speed

        def then(found: DriveReport | str) -> None:
            if search is not None and search.ended.is_set():
                return
            self._driving, self._search = False, None
            if isinstance(found, str):
                self._report, self._trouble = None, found
            else:
                self._report, self._of = found, of
            self.repaint()
            if self._search_next:
                self._search_next = False
                self.action_fastest()

        desk.work_aside(lambda: _driven(jobs, name, surface, speed, search), then)
        self.repaint()


def _driven(
    jobs: list[Job], name: str, surface: str | None, speed: float | None, search: Search | None
) -> DriveReport | str:
    try:
        asked = load_manoeuvre(name)
        contenders, grounds = [], []
        # the other machine is driven on the same ground
        ground = grip_range(jobs[0].machine, asked, surface)
        for job in jobs:
            own = contender(job)
            contenders += [own, replace(own, name=f"{own.name} without lean", amount_256ths=0)]
            grounds += [ground, ground]
        return report_drive(
            contenders, asked, grounds, speed_m_per_s=speed, fastest=search is not None,
            progress=None if search is None else search.tell, cancelled=None if search is None else search.cancelled,
        )  # fmt: skip
    except LeanmixError as error:
        return str(error)


def _scaled(values: np.ndarray, like: np.ndarray) -> np.ndarray:
    top, own = float(np.nanmax(np.abs(like), initial=0.0)), float(np.nanmax(np.abs(values), initial=0.0))
    return values * (top / own if own > 0 else 0.0)


def _span(span: tuple[float, float] | None) -> str:
    if span is None:
        return "—"
    low, high = span
    return f"{figure(low, 0)} ms" if high - low < 1 else f"{figure(low, 0)} to {figure(high, 0)} ms"


def _value(value: float | None, unit: str, places: int) -> str:
    return "—" if value is None else f"{figure(value, places)}{unit}"


def _ends(row: Row, say: Callable[[GripEnd], str]) -> str:
    told = [say(g) for g in row.grips]
    return told[0] if len(set(told)) == 1 else " | ".join(told)


def _end(g: GripEnd) -> str:
    if g.kind == "tipped":
        return f"tips {g.tip_to} at {figure(g.at_s, 1)} s"
    return "no tip" if g.kind == "finished" else f"{g.says} at {figure(g.at_s, 1)} s"


def _fastest(g: GripEnd) -> str:
    if g.fastest_m_per_s is None:
        return "—"
    over = g.fastest_ends == "went through"
    return f"{'over ' if over else ''}{figure(g.fastest_m_per_s)} m/s" + ("" if over else f", then {g.fastest_ends}")


_ROWS: tuple[tuple[str, Callable[[Row], str]], ...] = (
    ("tips", lambda r: _ends(r, _end)),
    ("fastest pass", lambda r: _ends(r, _fastest)),
    ("lean given", lambda r: _value(r.lean_given_deg, "°", 1)),
    ("lean behind wheel", lambda r: _span(r.lean_lag_ms)),
    ("lean 10 to 90 %", lambda r: _value(r.lean_rise_ms, " ms", 0)),
    ("arm behind wheel", lambda r: _span(r.arm_lag_ms)),
    ("chassis off level", lambda r: _value(r.chassis_lean_deg, "°", 1)),
    ("load moved", lambda r: _ends(r, lambda g: percent(g.most_transfer))),
    ("lateral, most", lambda r: _ends(r, lambda g: f"{figure(g.most_lateral_g, 2)} g")),
    ("lean swings past", lambda r: "—" if r.lean_overshoot_share is None else percent(r.lean_overshoot_share)),
)
# (title, channel, scale, whether it counts left and right)
_CHARTS: tuple[tuple[str, str, float, bool], ...] = (
    ("lean, °", "lean_deg", 1.0, True),
    ("load moved to one runner, %", "transfer", 100.0, False),
    ("lateral, g", "lateral_g", 1.0, True),
    ("servo arm, °", "throw_deg", 1.0, True),
    ("left runner, N", "load_left_N", 1.0, False),
    ("right runner, N", "load_right_N", 1.0, False),
    ("yaw, °/s", "yaw_deg_per_s", 1.0, True),
    ("off the way, m", "off_m", 1.0, True),
)


def view() -> DriveView:
    """The view."""
    return DriveView()
