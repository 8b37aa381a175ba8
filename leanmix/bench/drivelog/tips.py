"""Tips in a log, and what they say of the tip limit: above what was survived, below what was not."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leanmix.bench.drivelog.overlay import level_g
from leanmix.bench.drivelog.times import Stretch

__all__ = ["LimitVerdict", "Tip", "TipBounds", "find_tips", "judge_limits"]

Array = NDArray[np.float64]
OVER_DEG = 50.0  # no machine of this kind comes back from here by itself
OVER_S = 0.2
BEFORE_S = 1.5  # in this time before it went over lies what made it
HOLD_S = 0.3  # a bump is shorter than this, a turn longer
UP_DEG = 20.0
SLOT_S = 0.1
KEEP_S = 12.0
SLACK_SHARE = 0.05  # what a logger's g is good for


@dataclass(frozen=True, slots=True)
class Tip:
    """The machine went over.

    Parameters
    ----------
    t_s : float
        When it passed `OVER_DEG`, or the driver's mark.
    way : str
        "left" or "right": where it fell to; "" where the log has no lean.
    turn : str
        "left" or "right": the turn it was in; "" where unknown.
    peak_g : float
        Most sideways acceleration held for `HOLD_S` in the time before [g, in the turn]; NaN where unknown.
    marked : bool
        Whether the driver marked it.
    """

    t_s: float
    way: str
    turn: str
    peak_g: float
    marked: bool


@dataclass(frozen=True, slots=True)
class TipBounds:
    """What one way of turning says of the tip limit.

    Parameters
    ----------
    turn : str
        "left" or "right".
    survived_g : float
        Most that was held for `HOLD_S` in a turn that did not end in a tip; NaN where none was.
    tipped_g : float
        Least at which it went over; NaN where it never did.
    tips : int
        How often it did.
    contradicts : bool
        Whether it survived more than it tipped at: bumps, or other ground.
    """

    turn: str
    survived_g: float
    tipped_g: float
    tips: int
    contradicts: bool


@dataclass(frozen=True, slots=True)
class LimitVerdict:
    """A way of turning held against its predicted tip limit.

    Parameters
    ----------
    turn : str
        "left" or "right".
    upright_g, leaning_g : float
        Predicted, with the arm centred and at full lock's lean; NaN where there is no limit.
    agrees : bool
        Whether what was held and what tipped leave room for the prediction.
    says : str
        In words, with what to look at.
    """

    turn: str
    upright_g: float
    leaning_g: float
    agrees: bool
    says: str


@dataclass(slots=True)
class _Held:
    """The last `KEEP_S` of a stretch."""

    t: Array = field(default_factory=lambda: np.zeros(0))
    lean: Array = field(default_factory=lambda: np.zeros(0))
    held: Array = field(default_factory=lambda: np.zeros(0))
    mark: Array = field(default_factory=lambda: np.zeros(0))
    g: Array = field(default_factory=lambda: np.zeros(0))


def find_tips(stretches: Iterable[Stretch]) -> tuple[tuple[Tip, ...], tuple[TipBounds, ...]]:
    """Find where a machine went over, and bound its tip limit each way.

    Parameters
    ----------
    stretches : iterable of Stretch
        With ``lean_deg`` or ``tip``, and something that `level_g` understands.

    Returns
    -------
    tips : tuple of Tip
    bounds : tuple of TipBounds
        Left, then right.
    """
    tips: list[Tip] = []
    survived = {"left": np.nan, "right": np.nan}
    pending: deque[tuple[float, float]] = deque()  # (time, held g) not yet known to have been survived
    keep = _Held()
    over_until = -np.inf
    for stretch in stretches:
        t = stretch.columns["t_s"]
        blank = np.full(len(t), np.nan)
        g = level_g(stretch.columns)
        more = _Held(
            t,
            stretch.columns.get("lean_deg", blank),
            blank,
            stretch.columns.get("tip", blank),
            blank if g is None else g,
        )
        if stretch.begins:
            _settle(pending, np.inf, survived)
            keep = _Held()
        fresh = len(keep.t)
        t = np.concatenate([keep.t, more.t])
        lean = np.concatenate([keep.lean, more.lean])
        mark = np.concatenate([keep.mark, more.mark])
        level = np.concatenate([keep.g, more.g])
        held = _held_least(t, level)
        over = _over_for(t, lean) | (mark > 0.5)
        new = t[fresh:]
        calm = np.isfinite(held[fresh:]) & ~(np.abs(lean[fresh:]) > UP_DEG + 10) & (new > over_until)
        for first, last, begins in _falls(t, fresh + np.flatnonzero(over[fresh:]), over_until):
            if begins:
                tips.append(_tip(t, lean, held, mark, first))
                # the turn that ended so was not survived
                from_s = _turn_began(t, held, first, tips[-1])
                while pending and pending[-1][0] >= from_s:
                    pending.pop()
            over_until = float(t[last]) + BEFORE_S
            calm &= (new < (from_s if begins else t[first])) | (new > over_until)
        pending.extend(_greatest(new[calm], held[fresh:][calm]))
        _settle(pending, float(t[-1]) - KEEP_S, survived)
        tail = t > t[-1] - KEEP_S
        keep = _Held(t[tail], lean[tail], held[tail], mark[tail], level[tail])
    _settle(pending, np.inf, survived)
    return tuple(tips), tuple(_bounds(turn, survived[turn], tips) for turn in ("left", "right"))


def _falls(t: Array, over: NDArray[np.intp], over_until: float) -> list[tuple[int, int, bool]]:
    """Rows that are over, gathered: (first, last, whether it is a new fall and not one that goes on)."""
    if not len(over):
        return []
    fresh = t[over] > np.concatenate([[over_until], t[over][:-1] + BEFORE_S])
    starts = np.flatnonzero(fresh | (np.arange(len(over)) == 0))
    ends = np.append(starts[1:] - 1, len(over) - 1)
    return [(int(over[a]), int(over[b]), bool(fresh[a])) for a, b in zip(starts, ends, strict=True)]


def _greatest(t: Array, held: Array) -> list[tuple[float, float]]:
    """The greatest each way of each tenth of a second: more of them bound no more."""
    if not len(t):
        return []
    slots, place = np.unique(np.floor(t / SLOT_S), return_inverse=True)
    most, least = np.zeros(len(slots)), np.zeros(len(slots))
    np.maximum.at(most, place, held)
    np.minimum.at(least, place, held)
    both = np.stack([most, least], axis=1).ravel()
    when = np.repeat((slots + 1) * SLOT_S, 2)
    return [(float(w), float(v)) for w, v in zip(when[both != 0], both[both != 0], strict=True)]


def _settle(pending: deque[tuple[float, float]], until_s: float, survived: dict[str, float]) -> None:
    while pending and pending[0][0] <= until_s:
        _, value = pending.popleft()
        turn = "left" if value > 0 else "right"
        survived[turn] = float(np.fmax(survived[turn], abs(value)))


def _held_least(t: Array, g: Array) -> Array:
    """For each row the sideways acceleration held over the `HOLD_S` up to it: the least in size, with its sign."""
    start = np.searchsorted(t, t - HOLD_S, side="left")
    whole = t - t[0] >= HOLD_S if len(t) else np.zeros(0, bool)
    low, high = _sliding(g, start, np.fmin), _sliding(g, start, np.fmax)
    held = np.where(low > 0, low, np.where(high < 0, high, 0.0))
    return np.where(whole & np.isfinite(low), held, np.nan)


def _sliding(values: Array, start: NDArray[np.intp], pick: np.ufunc) -> Array:
    """`pick` over values[start[i] … i], by doubling spans."""
    spans = [values]
    longest = int(np.max(np.arange(len(values)) - start + 1, initial=1))
    while 2 ** len(spans) <= longest:
        half = 2 ** (len(spans) - 1)
        last = spans[-1]
        joined = last.copy()
        joined[half:] = pick(last[half:], last[:-half])
        spans.append(joined)
    length = np.arange(len(values)) - start + 1
    level = np.floor(np.log2(np.maximum(length, 1))).astype(int)
    table = np.stack(spans)
    here = np.arange(len(values))
    return np.asarray(pick(table[level, here], table[level, start + 2**level - 1]))


def _over_for(t: Array, lean: Array) -> NDArray[np.bool_]:
    """True once the lean has been past `OVER_DEG` for `OVER_S`."""
    over = np.abs(lean) > OVER_DEG
    begin = np.where(over & ~np.concatenate([[False], over[:-1]]), t, -np.inf)
    began = np.maximum.accumulate(begin) if len(t) else begin
    return over & (t - began >= OVER_S)


def _tip(t: Array, lean: Array, held: Array, mark: Array, i: int) -> Tip:
    marked = bool(mark[i] > 0.5)
    way = "" if not np.isfinite(lean[i]) or abs(lean[i]) < UP_DEG else ("left" if lean[i] > 0 else "right")
    # only while it still stood: what is felt in the fall says nothing
    standing = (t >= t[i] - BEFORE_S) & (t <= t[i]) & ~(np.abs(lean) > UP_DEG + 10)
    values = held[standing & np.isfinite(held)]
    if not len(values):
        return Tip(float(t[i]), way, "", float("nan"), marked)
    peak = float(values[np.argmax(np.abs(values))])
    # a machine falls out of its turn; a peak the other way round is from an earlier one
    if way and (peak > 0) == (way == "left"):
        outward = values[values < 0] if way == "left" else values[values > 0]
        peak = float(outward[np.argmax(np.abs(outward))]) if len(outward) else peak
    return Tip(float(t[i]), way, "left" if peak > 0 else "right", abs(peak), marked)


def _turn_began(t: Array, held: Array, i: int, tip: Tip) -> float:
    """When the turn that led to a tip began: before it less than half its sideways acceleration was held."""
    before = float(t[i]) - BEFORE_S
    if not np.isfinite(tip.peak_g):
        return before
    peak = tip.peak_g if tip.turn == "left" else -tip.peak_g
    out = np.flatnonzero((t < before) & ~(held * np.sign(peak) > 0.5 * tip.peak_g))
    return min(before, float(t[out[-1]])) if len(out) else float(t[0])


def _bounds(turn: str, survived: float, tips: list[Tip]) -> TipBounds:
    mine = [x for x in tips if x.turn == turn]
    known = [x.peak_g for x in mine if np.isfinite(x.peak_g)]
    least = min(known) if known else float("nan")
    return TipBounds(turn, survived, least, len(mine), bool(survived > least))


def judge_limits(
    bounds: tuple[TipBounds, ...], predicted_g: Mapping[str, tuple[float, float]]
) -> tuple[LimitVerdict, ...]:
    """Hold what a log bounds against predicted tip limits.

    Parameters
    ----------
    bounds : tuple of TipBounds
        From `find_tips`.
    predicted_g : mapping
        By turn, "left" and "right": limit upright and limit leaning in [g].
    """
    out = []
    for b in bounds:
        upright, leaning = predicted_g[b.turn]
        low, high = np.fmin(upright, leaning), np.fmax(upright, leaning)
        if b.tipped_g < low * (1 - SLACK_SHARE):
            agrees, says = (
                False,
                (
                    f"it tipped at {b.tipped_g:.2f} g, where {low:.2f} g was predicted: bumps or a caught runner, or its weight "
                    "is higher than the file says; weigh it again"
                ),
            )
        elif b.survived_g > high * (1 + SLACK_SHARE):
            agrees, says = (
                False,
                (
                    f"it held {b.survived_g:.2f} g, where {high:.2f} g was predicted: its weight is lower or its stance wider "
                    "than the file says, or the log's g reads high"
                ),
            )
        else:
            agrees, says = True, "what it held and what tipped it leave room for the prediction"
        out.append(LimitVerdict(b.turn, float(upright), float(leaning), agrees, says))
    return tuple(out)
