"""Lean: the curve from steer to lean and arm with its caps and knee, its knots, the table and its proof."""

from __future__ import annotations

import numpy as np
from textual import events

from leanmix.errors import LeanmixError
from leanmix.screens.boxes import AskBox
from leanmix.screens.charts import Level, Trace, Where, chart
from leanmix.screens.grid import Grid
from leanmix.screens.reckon import STEERS, Reckoned
from leanmix.screens.store import Store
from leanmix.screens.views.base import View
from leanmix.words import figure, way

__all__ = ["LeanView", "view"]

Knots = tuple[tuple[float, float], ...]

START_KNOTS = (-1.0, -0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75, 1.0)
LIFT_DEG = 0.1
SHIFT = 0.01
APART = 0.01
DEGREES_MAX = 90.0
CHARTS = ("lean", "arm", "pulse")


class LeanView(View):
    """Charts over steer; knots to move by keys and mouse."""

    name_of_view = "lean"

    def __init__(self) -> None:
        super().__init__()
        self._at = 0
        self._alike = True
        self._chart = 0
        self._plane: Where | None = None
        self._dragging = False

    def _knots(self) -> Knots:
        return self.desk.store.good.machine.lean.knots

    # --- painting -------------------------------------------------------------------------------

    def paint(self, grid: Grid) -> None:
        """Charts above, words below."""
        done = self.desk.shown
        if done is None or self.desk.now is None:
            grid.put(1, 1, "Working it out …", "faint")
            return
        words = 8 if grid.rows < 30 else 10
        room = grid.rows - words
        self._plane = None
        if grid.rows >= 30:
            half = room // 2
            self._lean_chart(grid, 0, half, done)
            self._second_chart(grid, half, room - half, done)
        elif CHARTS[self._chart] == "lean":
            self._lean_chart(grid, 0, room, done)
        else:
            self._second_chart(grid, 0, room, done)
        self._words(grid, room, done)

    def _lean_chart(self, grid: Grid, row: int, rows: int, done: Reckoned) -> None:
        asks_arm = done.source.machine.lean.ask == "arm"
        got = Trace("got", STEERS, done.lean_deg, "strong")
        asked = Trace("asked", STEERS, done.asked_deg, "faint", 3)
        traces = [got] if asks_arm else [got, asked]
        beside = self.desk.compared
        if beside is not None:
            traces.append(Trace(beside.source.machine.name, STEERS, beside.lean_deg, "other", 2))
        levels = []
        reach = float(np.nanmax(np.abs(done.lean_deg))) if np.isfinite(done.lean_deg).any() else 0.0
        if done.caps is not None and self._held(done):
            levels = [Level(reach, "held by a cap", "warn"), Level(-reach, "", "warn")]
        plane = chart(
            grid, row, 0, grid.columns, rows, traces, x_title="steer", y_title="lean, °", turned=True, y_ways=True,
            x_words=("full left", "full right"), here=self.desk.store.position.steer, levels=levels,
        )  # fmt: skip
        if not asks_arm:
            self._mark_knots(grid, plane)

    def _held(self, done: Reckoned) -> bool:
        over = np.abs(done.wanted_deg) - np.abs(done.held_deg)
        return bool(np.nanmax(over, initial=0.0) > 0.05)

    def _second_chart(self, grid: Grid, row: int, rows: int, done: Reckoned) -> None:
        asks_arm = done.source.machine.lean.ask == "arm"
        if CHARTS[self._chart] == "pulse" and done.plan is not None:
            from leanmix.curve import plan_pulses_us

            names = ("pulse",) if len(self.desk.now.pulses_us) == 1 else ("left", "right")  # type: ignore[union-attr]
            pulses = plan_pulses_us(done.plan, done.held_deg)
            traces = [Trace(n, STEERS, p, "strong", 1 + i) for i, (n, p) in enumerate(zip(names, pulses, strict=False))]
            chart(
                grid, row, 0, grid.columns, rows, traces, x_title="steer", y_title="pulse, µs", turned=True,
                x_words=("full left", "full right"), here=self.desk.store.position.steer,
            )  # fmt: skip
            return
        top = float(np.nanmax(np.abs(done.held_deg))) if np.isfinite(done.held_deg).any() else 1.0
        wanted = np.where(np.abs(done.wanted_deg) <= 1.3 * top + 1, done.wanted_deg, np.nan)
        levels = []
        if done.caps is not None:
            levels = [
                Level(done.caps.left.throw_deg, "cap left", "good"),
                Level(-done.caps.right.throw_deg, "cap right", "good"),
            ]
        plane = chart(
            grid, row, 0, grid.columns, rows,
            [Trace("sent", STEERS, done.held_deg, "strong"), Trace("without caps", STEERS, wanted, "faint", 3)],
            x_title="steer", y_title="arm, °", turned=True, y_ways=True, x_words=("full left", "full right"),
            here=self.desk.store.position.steer, levels=levels,
        )  # fmt: skip
        if asks_arm:
            self._mark_knots(grid, plane)

    def _mark_knots(self, grid: Grid, plane: Where | None) -> None:
        self._plane = plane
        if plane is None:
            return
        for i, (steer, degrees) in enumerate(self._knots()):
            row, column = plane.cell(steer, degrees)
            if plane.inside(row, column):
                grid.put(row, column, "◆" if i == self._chosen() else "◇", "now" if i == self._chosen() else "warn")

    def _words(self, grid: Grid, row: int, done: Reckoned) -> None:
        width = grid.columns - 2
        grid.fill(row, 0, grid.columns, "─", "ground")
        row += 1
        knots = self._knots()
        lean = done.source.machine.lean
        if knots:
            steer, degrees = knots[self._chosen()]
            grid.put(row, 1, f"Own knots, {len(knots)}.", "head")
            at, asks = way(100 * steer, 0, " %"), way(degrees, 2)
            # in a narrow view the figures must stay, not the words
            text = f"◆ at steer {at}: asks {asks}" if width >= 56 else f"◆ {at}: {asks}"
            grid.put(row, 16, text, "strong", width - 16)
            grid.put(row + 1, 1, f"Left and right {'alike' if self._alike else 'each by itself'} (x)", "faint", width)
        else:
            full = [
                f"{figure(float(abs(d)))}° at full {w}"
                for d, w in ((done.asked_deg[-1], "left"), (done.asked_deg[0], "right"))
            ]
            grid.put(
                row,
                1,
                f"Asks {lean.ask}: {', '.join(full)}, shape {lean.shape.at:g}, deadband {100 * lean.deadband.at:g} %",
                "strong",
                width,
            )
            grid.put(
                row + 1, 1, "n turns it into knots to move; the figures are in Measure under Lean asked", "faint", width
            )
        row += 2
        if done.troubles:
            grid.put_words(row, 1, f"✕ {done.troubles[0]}", "bad", width=width, rows=grid.rows - row)
            return
        if self._held(done) and done.caps is not None:
            cap = done.caps.left if self.desk.store.position.steer >= 0 else done.caps.right
            row = grid.put_words(
                row, 1, f"▲ A cap holds the arm back: {figure(cap.throw_deg)}°, {cap.why}", "warn", width=width, rows=2
            )
        self._proof(grid, row, width, done)

    def _proof(self, grid: Grid, row: int, width: int, done: Reckoned) -> None:
        if done.table is None:
            grid.put(row, 1, "Table and proof: being worked out …", "faint", width)
            return
        fit = done.table.fit
        text = (
            f"Table of 33 knots: at worst {figure(fit.error_us, 2)} µs off, at a knee {figure(fit.knee_error_us, 2)} µs"
        )
        row = grid.put_words(row, 1, text, "plain", width=width, rows=2)
        failed = [c for c in done.checks if not c.passed]
        if not failed:
            tried = max((c.inputs for c in done.checks), default=0)
            grid.put(
                row, 1, f"✓ PROVED: {len(done.checks)} checks, every input, {tried:,} a check at most", "good", width
            )
            row += 1
        for check in failed or done.checks:
            if row >= grid.rows:
                return
            mark, name = ("✓", "faint") if check.passed else ("✕ NOT PROVED:", "bad")
            row = grid.put_words(
                row, 1, f"{mark} {check.name}: {check.figure}", name, width=width, rows=min(2, grid.rows - row)
            )

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        if not self._knots():
            return [("n", "own knots"), ("v", "other chart")]
        return [
            ("Tab", "next knot"),
            ("↑↓", "lift"),
            ("< >", "shift"),
            ("Enter", "type"),
            ("+ −", "add, remove"),
            ("x", "alike"),
            ("n", "shape"),
        ]

    def figures_out(self) -> list[list[str]]:
        """The curve over steer."""
        done = self.desk.shown
        if done is None:
            return []
        rows = [["steer", "asked [deg left]", "arm wanted [deg left]", "arm sent [deg left]", "lean [deg left]"]]
        for row in zip(STEERS, done.asked_deg, done.wanted_deg, done.held_deg, done.lean_deg, strict=True):
            rows.append([f"{v:.6g}" for v in row])
        return rows

    # --- knots ----------------------------------------------------------------------------------

    def _chosen(self) -> int:
        return min(self._at, max(len(self._knots()) - 1, 0))

    def _ready(self) -> bool:
        if self._knots():
            return True
        self.desk.say("The curve has no knots of its own: n makes some.", "faint")
        return False

    def _put(self, knots: Knots, what: str) -> None:
        try:
            self.desk.store.put_knots(knots, what)
        except LeanmixError as error:
            self.desk.say_error(error)
            return
        self.desk.edited()

    def _set(self, i: int, steer: float, degrees: float, what: str) -> None:
        """Put a knot somewhere its neighbours allow; its twin on the other side follows where they are alike."""
        knots = [*self._knots()]
        before = knots[i]
        knots[i] = _allowed(knots, i, steer, degrees)
        twin = next((j for j, k in enumerate(knots) if j != i and abs(k[0] + before[0]) < 1e-9), None)
        if self._alike and twin is not None and abs(before[0]) > 1e-9:
            knots[twin] = _allowed(knots, twin, -knots[i][0], -knots[i][1])
        if tuple(knots) != self._knots():
            self._put(tuple(knots), what)

    def action_knots(self) -> None:
        """From a shape to knots that say the same, and back."""
        done, store = self.desk.shown, self.desk.store
        if self._knots():
            field_key = "lean.knots"
            try:
                store.change(_without_knots(store), "curve back to its shape", field_key)
            except LeanmixError as error:
                self.desk.say_error(error)
                return
            self.desk.edited()
            return
        if done is None:
            return
        asked = np.interp(START_KNOTS, STEERS, done.asked_deg)
        self._at = len(START_KNOTS) - 1
        self._put(tuple((s, float(f"{d:.4g}")) for s, d in zip(START_KNOTS, asked, strict=True)), "own knots")

    def action_pick(self, step: int) -> None:
        """The next knot; the steering goes there."""
        if self._ready():
            # left stands on the left: the next knot is the one further right
            self._at = (self._chosen() - step) % len(self._knots())
            self.desk.steer_to(self._knots()[self._at][0])

    def action_lift(self, step: int) -> None:
        """Ask for more or less at the knot."""
        if self._ready():
            steer, degrees = self._knots()[self._chosen()]
            self._set(self._chosen(), steer, degrees + step * LIFT_DEG, "knot lifted")

    def action_shift(self, step: int) -> None:
        """Move the knot along the steering."""
        if self._ready():
            steer, degrees = self._knots()[self._chosen()]
            self._set(self._chosen(), steer + step * SHIFT, degrees, "knot shifted")

    def action_type_knot(self) -> None:
        """Type the knot's degrees."""
        if not self._ready():
            return
        at = self._chosen()
        steer, degrees = self._knots()[at]

        def answered(text: str | None) -> None:
            if text is None:
                return
            try:
                typed = float(text.replace(",", ".").replace("−", "-").rstrip("° "))
            except ValueError:
                self.desk.say("Type degrees as a number; − is to the right.", "bad")
                return
            if not abs(typed) <= DEGREES_MAX:
                self.desk.say("Between 90° right and 90° left.", "bad")
                return
            self._set(at, steer, typed, "knot typed")

        says = f"Degrees asked at steer {way(100 * steer, 0, ' %')}; + is left, − is right:"
        self.desk.ask(AskBox("Knot", says, f"{degrees:g}"), answered)

    def action_add_knot(self) -> None:
        """A knot at the present steering, on the curve as it is."""
        done = self.desk.shown
        if not self._ready() or done is None:
            return
        steer = self.desk.store.position.steer
        if any(abs(k[0] - steer) < APART for k in self._knots()):
            self.desk.say("There is a knot here already: steer elsewhere first.", "warn")
            return
        degrees = float(f"{np.interp(steer, STEERS, done.asked_deg):.4g}")
        knots = sorted([*self._knots(), (steer, degrees)])
        self._at = knots.index((steer, degrees))
        self._put(tuple(knots), "knot added")

    def action_drop_knot(self) -> None:
        """Take the chosen knot away; the ends stay."""
        if not self._ready():
            return
        knots = self._knots()
        if len(knots) <= 3 or self._chosen() in (0, len(knots) - 1):
            self.desk.say("Three knots at least, and the ends stay.", "warn")
            return
        self._put(tuple(k for i, k in enumerate(knots) if i != self._chosen()), "knot removed")

    def action_link_sides(self) -> None:
        """Whether a knot's twin moves too."""
        self._alike = not self._alike
        self.desk.say(f"Knots left and right move {'alike' if self._alike else 'each by itself'}.")
        self.desk.repaint()

    def action_show_next(self) -> None:
        """Another chart."""
        self._chart = (self._chart + 1) % len(CHARTS)
        self.desk.repaint()

    # --- mouse ----------------------------------------------------------------------------------

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """Take hold of a knot, or steer there."""
        if self._plane is None or not self._plane.inside(event.y, event.x):
            return
        cells = [self._plane.cell(*k) for k in self._knots()]
        near = [i for i, (r, c) in enumerate(cells) if abs(r - event.y) <= 1 and abs(c - event.x) <= 1]
        if near:
            self._at, self._dragging = near[0], True
            self.capture_mouse()
            self.desk.repaint()
        else:
            self.desk.steer_to(self._plane.point(event.y, event.x)[0])

    def on_mouse_up(self, event: events.MouseUp) -> None:
        """Put the knot down where the mouse is."""
        self.release_mouse()
        if self._dragging and self._plane is not None and self._knots():
            steer, degrees = self._plane.point(event.y, event.x)
            self._set(self._chosen(), round(steer, 2), round(degrees, 1), "knot dragged")
        self._dragging = False


def _allowed(knots: list[tuple[float, float]], i: int, steer: float, degrees: float) -> tuple[float, float]:
    """A knot's place within what its neighbours leave: steer in order, degrees never falling towards the left."""
    last = len(knots) - 1
    if i in (0, last):
        steer = knots[i][0]
    else:
        steer = min(max(steer, knots[i - 1][0] + APART), knots[i + 1][0] - APART)
    low = knots[i - 1][1] if i > 0 else -DEGREES_MAX
    high = knots[i + 1][1] if i < last else DEGREES_MAX
    return float(f"{steer:.6g}"), float(f"{min(max(degrees, low), high):.6g}")


def _without_knots(store: Store) -> str:
    from leanmix.machine import drop_value, set_value

    text = drop_value(store.text, "lean.knots")
    lean = store.good.machine.lean
    for side, degrees in (("left", lean.knots[-1][1]), ("right", -lean.knots[0][1])):
        if getattr(lean, f"{side}_deg") is None and getattr(lean, f"{side}_ratio") is None:
            text = set_value(text, f"lean.{side}_deg", abs(degrees))
    return text


def view() -> LeanView:
    """The view."""
    return LeanView()
