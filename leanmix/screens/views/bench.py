"""Bench: the real machine on its stand; a walk that asks step by step, and what its readings say of the file."""

from __future__ import annotations

import time

from textual import events

from leanmix.bench import (
    CAUTIONS,
    BenchFit,
    Change,
    StopCheck,
    changes_of_fit,
    changes_of_stops,
    compare_stops,
    fit_bench,
    taken_in,
)
from leanmix.errors import LeanmixError
from leanmix.job import Job
from leanmix.journal import Journal, Reading
from leanmix.machine import MachineFile, Measured
from leanmix.screens.benching import Question, ScreenBuilder
from leanmix.screens.benchstate import BenchState
from leanmix.screens.grid import Grid
from leanmix.screens.line import TypedLine
from leanmix.screens.views.base import View
from leanmix.words import count, figure, trimmed, with_unit

__all__ = ["BenchView", "view"]


class BenchView(View):
    """The walk, or what it came to."""

    name_of_view = "bench"

    def __init__(self) -> None:
        super().__init__()
        self._line = TypedLine()
        self._asked: Question | None = None
        self._error = ""

    @property
    def _state(self) -> BenchState:
        return self.desk.bench

    # --- painting -------------------------------------------------------------------------------

    def paint(self, grid: Grid) -> None:
        """The question that waits, the servo that moves, or what the readings say."""
        state = self._state
        if state.question is not self._asked:
            self._asked, self._line, self._error = state.question, TypedLine(), ""
        if state.builder is not None:
            self._walking(grid, state)
        elif state.fit is not None or state.stops or state.trouble:
            self._findings(grid, state)
        else:
            self._idle(grid, state)

    def _idle(self, grid: Grid, state: BenchState) -> None:
        width = grid.columns - 2
        grid.put(0, 1, "The machine on its stand", "head")
        row = 1
        if state.report is not None:
            ended = "went to its end" if state.report.done else f"ended early: {state.why}"
            row = grid.put_words(
                row,
                1,
                f"Last walk: {count(len(state.report.readings), 'reading')} kept; it {ended}",
                "strong",
                width=width,
                rows=4,
            )
            for text in state.report.findings:
                if row < grid.rows - 2:
                    row = grid.put_words(row, 1, f"▲ {text}", "warn", width=width, rows=3)
            row = grid.put_words(row, 1, "g holds the readings against the file.", "plain", width=width)
        elif state.why:
            row = grid.put_words(row, 1, f"✕ {state.why}", "bad", width=width, rows=3)
        if self.desk.board.identity is None:
            row = grid.put_words(
                row,
                1,
                "Open a board first (b), and flash this machine's table: its caps hold during the walk.",
                "warn",
                width=width,
                rows=3,
            )
        else:
            row = grid.put_words(
                row,
                1,
                "Enter begins the walk: neutral and spline, direction, angles and heights at several pulses, steering range, and a slow search for the stops. Every reading is kept as it is made.",
                "plain",
                width=width,
                rows=5,
            )
        if row < grid.rows - 2:
            grid.put(row + 1, 1, "Before it begins you are asked that", "head", width)
            row += 2
            for text in CAUTIONS:
                if row < grid.rows:
                    row = grid.put_words(row, 1, f"· {text}", "warn", width=width, rows=grid.rows - row)

    def _walking(self, grid: Grid, state: BenchState) -> None:
        width = grid.columns - 2
        grid.put(0, 1, "Bench walk", "head")
        if state.moment is not None:
            m = state.moment
            supply = "supply not measured" if m.supply_V is None else f"supply {figure(m.supply_V, 2)} V"
            doing = "SEARCHING, caps left" if m.searching else "held inside its caps"
            grid.put(0, 13, f"servo {m.output + 1} at {figure(m.pulse_us, 0)} µs, {doing}, {supply}", "now", width - 12)
        question = state.question
        row = 2
        if question is None:
            row = grid.put_words(
                row, 1, "The servo moves. SPACE or j STOPS it: it backs off at once.", "bad", width=width
            )
        else:
            row = grid.put_words(row, 1, question.text, "strong", width=width, rows=6)
            if question.beside:
                row = grid.put_words(row, 1, question.beside, "faint", width=width, rows=2)
            row = self._answer(grid, row, question)
        if self._error:
            row = grid.put_words(row, 1, f"✕ {self._error}", "bad", width=width, rows=2)
        row += 1
        room = grid.rows - row
        lines: list[str] = []
        for text in reversed(state.told):
            lines.append(text)
            if len(lines) >= room:
                break
        for text in reversed(lines):
            if row < grid.rows:
                row = grid.put_words(row, 1, f"· {text}", "plain", width=width, rows=min(3, grid.rows - row))

    def _answer(self, grid: Grid, row: int, question: Question) -> int:
        if question.kind == "agree":
            grid.put(row + 1, 1, "y", "keycap")
            grid.put(row + 1, 3, "it is so", "plain")
            grid.put(row + 1, 14, "n", "keycap")
            grid.put(row + 1, 16, "it is not", "plain")
        elif question.kind == "choose":
            column = 1
            for i, choice in enumerate(question.choices):
                column = grid.put(row + 1, column, f"{i + 1}", "keycap") + 1
                column = grid.put(row + 1, column, choice, "plain") + 3
        else:
            expected = with_unit(figure(question.expected, 2), question.unit)
            end = grid.put(row + 1, 1, f"reading in {question.unit}: ", "plain")
            self._line.paint(grid, row + 1, end, 12)
            grid.put(
                row + 1,
                end + 14,
                f"the file expects {expected}; n leaves it out",
                "faint",
                max(0, grid.columns - end - 15),
            )
        return row + 2

    def _findings(self, grid: Grid, state: BenchState) -> None:
        width = grid.columns - 2
        grid.put(0, 1, "What the readings say of the file", "head")
        row = 1
        if state.trouble:
            row = grid.put_words(row, 1, f"✕ {state.trouble}", "bad", width=width, rows=4)
        if state.fit is not None:
            grid.put(row, 1, "number", "faint")
            grid.put(row, 28, "in the file", "faint")
            grid.put(row, 46, "off the bench", "faint")
            row += 1
            for n in (*state.fit.numbers, *state.fit.derived):
                if row >= grid.rows - 3:
                    break
                mark, name = ("✕", "bad") if n.differs else ("✓", "good") if n.found else ("·", "faint")
                grid.put(row, 1, f"{mark} {n.name} {n.side}".strip(), name, 26)
                grid.put(row, 28, _amount(n.was, n.unit), "faint", 17)
                grid.put(row, 46, _amount(n.now, n.unit) if n.found else "not fixed by these", name, max(0, width - 45))
                row += 1
            for odd in state.fit.odd:
                if row < grid.rows - 2:
                    row = grid.put_words(
                        row,
                        1,
                        f"▲ left out: {odd.reading.quantity.replace('_', ' ')} {odd.reading.side}, off by {figure(odd.off_by, 2)}: {odd.likely}",
                        "warn",
                        width=width,
                        rows=2,
                    )
        for check in state.stops:
            if row >= grid.rows - 1 or check.measured is None:
                continue
            predicted = "none" if check.predicted is None else f"{figure(check.predicted.at, 0)} µs"
            mark, name = ("✕", "bad") if check.differs else ("✓", "good")
            text = f"{mark} stop leaning {check.way}: measured {figure(check.measured.at, 0)} µs, predicted {predicted}; {check.nearer} counts. {check.likely}"
            row = grid.put_words(row, 1, text, name, width=width, rows=2)
        words = (
            f"x takes {count(len(state.changes), 'number')} into the file"
            if state.changes
            else "nothing to take into the file"
        )
        grid.put(grid.rows - 1, 1, words, "keycap" if state.changes else "faint", width)

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        state = self._state
        if state.builder is None:
            return [("Enter", "begin the walk"), ("g", "hold against the file"), ("x", "take in")]
        if state.question is None:
            return [("SPACE j", "STOP"), ("Del", "end the walk")]
        return [("y n", "answer"), ("Enter", "takes it"), ("Del", "end the walk")]

    def about(self) -> list[tuple[str, str]]:
        """The cautions."""
        return [("", "plain"), *((text, "warn") for text in CAUTIONS)]

    def figures_out(self) -> list[list[str]]:
        """What the readings say."""
        fit = self._state.fit
        if fit is None:
            return []
        rows = [["number", "side", "unit", "file", "file tol", "bench", "bench tol", "differs"]]
        for n in (*fit.numbers, *fit.derived):
            rows.append(
                [
                    n.name,
                    n.side,
                    n.unit,
                    f"{n.was.at:.6g}",
                    f"{n.was.tol or 0:.4g}",
                    f"{n.now.at:.6g}",
                    f"{n.now.tol or 0:.4g}",
                    "yes" if n.differs else "no",
                ]
            )
        return rows

    # --- actions --------------------------------------------------------------------------------

    def action_go_on(self) -> None:
        """Begin, or give what was typed."""
        state = self._state
        if state.builder is None:
            self._begin()
            return
        question = state.question
        if question is None:
            return
        if question.kind != "read":
            self._error = (
                "Answer with y or n." if question.kind == "agree" else "Answer with the number of your choice."
            )
        else:
            try:
                value = float(self._line.text.replace(",", ".").replace("−", "-").strip())
            except ValueError:
                self._error = f"Type the reading in {question.unit}, or n to leave it out."
            else:
                self._give(value)
        self.repaint()

    def _begin(self) -> None:
        desk = self.desk
        if desk.board.identity is None or desk.board.busy:
            desk.say("Open a board first: b.", "warn")
            return
        done = desk.done
        if done is None or done.job is None or desk.stale_why() or done.serial != desk.store.serial:
            desk.say("The file as it stands is not worked out yet.", "warn")
            return
        builder = ScreenBuilder(desk.post_message)
        desk.bench.begin(builder)
        desk.ask_link("Bench walk", "walk", done.job, builder, time.strftime("%Y-%m-%d %H:%M:%S"))

    def _give(self, answer: object) -> None:
        builder = self._state.builder
        if builder is not None:
            self._state.question = None
            builder.answer(answer)
        self._error = ""
        self.repaint()

    def action_say_yes(self) -> None:
        """It is so."""
        if self._state.question is not None and self._state.question.kind == "agree":
            self._give(True)

    def action_say_no(self) -> None:
        """It is not, or this reading is left out."""
        question = self._state.question
        if question is not None and question.kind != "choose":
            self._give(False if question.kind == "agree" else None)

    def action_stop_now(self) -> None:
        """Stop a moving servo."""
        if self._state.builder is not None:
            self._state.builder.stop.set()

    def action_end_walk(self) -> None:
        """End the walk."""
        if self._state.builder is not None:
            self._state.builder.gone.set()

    def action_fit_readings(self) -> None:
        """Hold the last walk's readings against the file."""
        state, desk = self._state, self.desk
        if state.builder is not None:
            return
        state.forget_fit()
        done, source = desk.done, desk.store.good
        if done is None or done.job is None:
            return
        job = done.job
        desk.say("Holding the readings against the file …", "faint")

        def taken(found: tuple[BenchFit | None, tuple[StopCheck, ...], tuple[Change, ...], str]) -> None:
            state.fit, state.stops, state.changes, state.trouble = found
            desk.quiet()
            self.repaint()

        desk.work_aside(lambda: _held_against(job, source), taken)

    def action_take_in(self) -> None:
        """Take what was found into the file, as one edit."""
        state, desk = self._state, self.desk
        if not state.changes:
            desk.say("There is nothing to take in.", "faint")
            return
        try:
            after = taken_in(desk.store.good, state.changes)
        except LeanmixError as error:
            desk.say_error(error)
            return
        desk.store.change(after.text, f"{count(len(state.changes), 'number')} off the bench")
        state.forget_fit()
        desk.edited()
        desk.say("Taken into the file as one edit; u takes it back.", "good")

    def typed(self, event: events.Key) -> bool:
        """Space stops a moving servo; digits answer."""
        state = self._state
        question = state.question
        character = event.character or ""
        if state.builder is None:
            return False
        if question is None:
            if event.key == "space":
                self.action_stop_now()
                return True
            return False
        if question.kind == "read":
            edits = event.key in ("backspace", "left", "right", "home", "end") and bool(self._line.text)
            if edits or (character and character in "0123456789.,-−+"):
                self._line.key(event)
                self.repaint()
                return True
        elif question.kind == "choose" and character.isdigit() and 0 < int(character) <= len(question.choices):
            self._give(question.choices[int(character) - 1])
            return True
        return False


def _amount(m: Measured, unit: str) -> str:
    tolerance = "" if m.tol is None else f" ± {m.tol:.2g}"
    return with_unit(f"{trimmed(float(f'{m.at:.5g}'))}{tolerance}", unit)


def _held_against(
    job: Job, source: MachineFile
) -> tuple[BenchFit | None, tuple[StopCheck, ...], tuple[Change, ...], str]:
    stops: tuple[StopCheck, ...] = ()
    try:
        readings = _last_walk(source.machine.name)
        stops = compare_stops(job, readings)
        fit = fit_bench(source, readings)
    except LeanmixError as error:
        return None, stops, changes_of_stops(job, stops), str(error)
    return fit, stops, changes_of_fit(fit) + changes_of_stops(job, stops), ""


def _last_walk(machine: str) -> tuple[Reading, ...]:
    with Journal.open(read_only=True) as journal:
        rows = [r for _, r in journal.readings(machine=machine)]
    return tuple(r for r in rows if r.walk == rows[-1].walk) if rows else ()


def view() -> BenchView:
    """The view."""
    return BenchView()
