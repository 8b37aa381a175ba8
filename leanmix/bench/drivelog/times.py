"""Repairing a log's time base: counters that wrap, restarts, doubled rows, coarse clocks, gaps.

What comes out is time in seconds that only rises within a stretch; a stretch ends where the logger paused or
started anew, and nothing is ever reckoned across its end.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.bench.drivelog.read import Block
from leanmix.errors import FileTrouble

__all__ = ["Repairs", "Stretch", "repaired"]

Array = NDArray[np.float64]
GAP_STEPS, GAP_S = 8.0, 0.4  # a pause longer than both parts two stretches
WRAPS = (2.0**16, 2.0**32)
DAY_S = 86400.0
RATE_ROWS = 400
TIME_MOST_S = 1e10  # beyond any clock, and past where a float still tells rows apart
BACK_SHARE = 0.01  # more steps back than this and the time column is none
NAMED = 5


@dataclass(slots=True)
class Repairs:
    """What was repaired; grows while the log is read.

    Parameters
    ----------
    doubled : int
        Rows that repeated the one before in every column, left out.
    spread : int
        Rows that shared a time with another and were spread evenly up to the next.
    wrapped : int
        Times the logger's counter ran over, or midnight passed.
    restarts, gaps : int
        Stretches that begin with a restart, or after a pause.
    untimed : int
        Rows without a time, left out.
    gap_s : float
        Length of all pauses [s].
    breaks : list of (int, str)
        The first few: line and what happened.
    step_s : float
        Usual time between rows [s].
    seconds : float
        Length of all stretches [s].
    """

    doubled: int = 0
    spread: int = 0
    wrapped: int = 0
    restarts: int = 0
    gaps: int = 0
    untimed: int = 0
    gap_s: float = 0.0
    breaks: list[tuple[int, str]] | None = None
    step_s: float = float("nan")
    seconds: float = 0.0

    def note(self, line: int, what: str) -> None:
        """Name a break, if it is among the first few."""
        self.breaks = self.breaks or []
        if len(self.breaks) < NAMED:
            self.breaks.append((line, what))


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of a log with rising time; a long one comes in several pieces.

    Parameters
    ----------
    columns : mapping of str to ndarray, shape (rows,)
        By quantity; "t_s" counts on through the whole log, pauses and all.
    begins : bool
        False where it goes on from the piece before.
    """

    columns: Mapping[str, Array]
    begins: bool


def repaired(blocks: Iterable[Block], unit_s: float, repairs: Repairs, name: str) -> Iterator[Stretch]:
    """Pass a log's blocks on with a sound time base.

    Parameters
    ----------
    blocks : iterable of Block
        From `LogFile.blocks`.
    unit_s : float
        What one unit of the logger's clock is [s], to know where its counter runs over.
    repairs : Repairs
        Filled in as the log goes by.
    name : str
        For errors.

    Raises
    ------
    FileTrouble
        When time goes back so often that the column is no time.
    """
    yield from _Repair(unit_s, repairs, name).run(blocks)


class _Repair:
    """State carried from block to block."""

    def __init__(self, unit_s: float, repairs: Repairs, name: str) -> None:
        self.unit_s, self.repairs, self.name = unit_s, repairs, name
        self.offset = 0.0  # added to the logger's time
        self.last: float | None = None
        self.rows = self.backs = 0
        self.held: dict[str, Array] | None = None  # rows of one time, until the next one is known
        self.last_row: Array | None = None
        self.begins = True
        self.tick = 0.0  # usual step of the clock; several rows may share a tick
        self.came_to = 0.0

    def run(self, blocks: Iterable[Block]) -> Iterator[Stretch]:
        for block in blocks:
            for columns, begins in self._parts(block):
                yield from self._spread(columns, begins)
        if self.held is not None:
            yield from self._out(self.held, self.repairs.step_s)

    def _parts(self, block: Block) -> Iterator[tuple[dict[str, Array], bool]]:
        """Pieces between breaks, time unwrapped, doubled rows left out."""
        timed = np.abs(block.columns["t_s"]) < TIME_MOST_S  # NaN is not
        self.repairs.untimed += int(np.sum(~timed))
        table = {q: c[timed] for q, c in block.columns.items()}
        lines, restarts = block.lines[timed], block.restarts[timed]
        t = table["t_s"]
        if not len(t):
            return
        self.rows += len(t)
        if not np.isfinite(self.repairs.step_s):
            rising = np.diff(t[:RATE_ROWS])
            forward = rising[rising >= 0]
            rising = rising[rising > 0]
            self.tick = float(np.median(rising)) if len(rising) else 1.0
            self.repairs.step_s = self.tick * len(rising) / len(forward) if len(rising) else 1.0
        before = t[0] if self.last is None else self.last
        steps = np.diff(t, prepend=before)
        shift = np.zeros(len(t))
        breaks: dict[int, str] = {}
        for i in np.flatnonzero((steps < 0) | restarts):
            step = float(steps[i])
            wrap = self._wrap(step) if step < 0 else None
            if wrap is not None:
                self.repairs.wrapped += 1
                shift[i:] += wrap
            elif step < 0:
                self.backs += 1
                shift[i:] += -step + self.repairs.step_s
                breaks[int(i)] = "the logger's clock began anew"
            elif self.last is not None or i:
                breaks[int(i)] = "the header came again"
        if self.backs > max(3, BACK_SHARE * self.rows):
            line = int(lines[next(iter(breaks))]) if breaks else int(lines[0])
            raise FileTrouble(
                f"{self.name}, line {line}: time goes back here, and keeps doing so.",
                "Is another column the time? Map the columns anew: leanmix log map",
            )
        self.last = float(t[-1])
        table["t_s"] = t + shift + self.offset
        self.offset += float(shift[-1])
        self._find_gaps(table["t_s"], lines, breaks)
        edges = [0, *sorted(breaks), len(t)]
        for start, end in itertools.pairwise(edges):
            if start == end:
                continue
            begins = start in breaks
            yield self._undoubled({q: c[start:end] for q, c in table.items()}), begins

    def _wrap(self, step_s: float) -> float | None:
        """Seconds that a counter's run-over or midnight takes off, if that is what this step back looks like."""
        for whole in (*(w * self.unit_s for w in WRAPS), DAY_S):
            ahead = step_s + whole
            # half a period at least must have been fallen back, and what remains must be an ordinary step
            if step_s < -whole / 2 and 0 <= ahead <= max(GAP_STEPS * self.tick, GAP_S):
                return whole
        return None

    def _find_gaps(self, t: Array, lines: NDArray[np.int64], breaks: dict[int, str]) -> None:
        first = t[0] if self.last_row is None else self.last_row[0]
        steps = np.diff(t, prepend=first)
        limit = max(GAP_STEPS * self.tick, GAP_S)
        for i in np.flatnonzero(steps > limit):
            if int(i) not in breaks:
                breaks[int(i)] = f"a pause of {steps[i]:.3g} s"
                self.repairs.gaps += 1
                self.repairs.gap_s += float(steps[i])
        for row, what in sorted(breaks.items()):
            if not what.startswith("a pause"):
                self.repairs.restarts += 1
            self.repairs.note(int(lines[row]), what)

    def _undoubled(self, table: dict[str, Array]) -> dict[str, Array]:
        rows = np.stack(list({"t_s": table["t_s"], **table}.values()), axis=1)
        before = np.vstack([rows[:1] + 1.0 if self.last_row is None else self.last_row[None, :], rows[:-1]])
        same = np.all((rows == before) | (np.isnan(rows) & np.isnan(before)), axis=1)
        self.repairs.doubled += int(np.sum(same))
        self.last_row = rows[-1]
        return {q: c[~same] for q, c in table.items()}

    def _spread(self, table: dict[str, Array], begins: bool) -> Iterator[Stretch]:
        """Spread rows that share a time evenly up to the next time; the last such rows wait for it."""
        if begins and self.held is not None:
            yield from self._out(self.held, self.repairs.step_s)
            self.held = None
        self.begins = self.begins or begins
        if self.held is not None:
            table = {q: np.concatenate([self.held[q], c]) for q, c in table.items()}
        t = table["t_s"]
        if not len(t):
            return
        ready = int(np.searchsorted(t, t[-1], side="left"))  # rows before the last time
        self.held = {q: c[ready:] for q, c in table.items()}
        if ready:
            yield from self._out({q: c[:ready] for q, c in table.items()}, float(t[-1] - t[ready - 1]))

    def _out(self, table: dict[str, Array], next_step_s: float) -> Iterator[Stretch]:
        t = table["t_s"]
        times, first, count = np.unique(t, return_index=True, return_counts=True)
        if len(times) < len(t):
            self.repairs.spread += int(np.sum(count[count > 1]))
            room = np.append(np.diff(times), next_step_s)
            place = np.arange(len(t)) - np.repeat(first, count)
            t = t + np.repeat(room / count, count) * place
        self.repairs.seconds += float(t[-1] - t[0]) + (0.0 if self.begins else float(t[0] - self.came_to))
        self.came_to = float(t[-1])
        yield Stretch({**table, "t_s": t}, self.begins)
        self.begins = False
