"""The fastest pass: the highest speed at which a machine still goes through, and what ends it beyond."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.response.cases import Contender, drive_picks, picks_of
from leanmix.response.manoeuvre import Manoeuvre
from leanmix.response.watch import EndKind
from leanmix.response.way import manoeuvre_chain

__all__ = ["Fastest", "fastest_pass"]

MOST_M_PER_S = 12.0
# slow runs take long to drive and hardly ever fail: begin with fast ones
BEGIN_SHARE = 0.4
SLOWEST_SHARE = 0.08
ROUNDS = (24, 24)
GRAVITY = 9.80665


@dataclass(frozen=True, slots=True)
class Fastest:
    """Fastest passes, each of shape (items,).

    Attributes
    ----------
    speed_m_per_s : ndarray
        Highest speed below the first one at which it fails; 0 where even the slowest fails.
    step_m_per_s : ndarray
        How closely it was looked for.
    then : ndarray of int
        `EndKind` just above it; `EndKind.FINISHED` where nothing fails up to the fastest looked at.
    """

    speed_m_per_s: Array
    step_m_per_s: Array
    then: NDArray[np.int8]


def _top_speed(manoeuvre: Manoeuvre, grip: float) -> float:
    """A speed at which nothing can get through any more, or the fastest worth looking at."""
    most = MOST_M_PER_S
    if manoeuvre.path:
        bend = float(np.abs(manoeuvre_chain(manoeuvre).value).max())
        if bend > 0:
            # in a bowl the bank helps; a lane lets the line be cut
            bank = abs(np.tan(np.deg2rad(manoeuvre.ground.bank_deg.at)))
            most = min(most, 1.4 * float(np.sqrt((grip + bank) * GRAVITY / bend)) + 0.5)
    return most


def fastest_pass(
    contenders: Sequence[Contender],
    manoeuvres: Sequence[Manoeuvre],
    who: NDArray[np.intp],
    what: NDArray[np.intp],
    grip: Array,
    *,
    rounds: Sequence[int] = ROUNDS,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Fastest:
    """Find fastest passes, many at once.

    Parameters
    ----------
    contenders, manoeuvres : sequence
        What `who` and `what` count in.
    who, what : ndarray of int, shape (items,)
        Contender and manoeuvre of each item.
    grip : ndarray, shape (items,)
        Grip of each item.
    rounds : sequence of int
        Speeds tried in each round, each round between the last pass and the first failure of the one before.
    progress, cancelled : callable, optional
        As in `drive_picks`.
    """
    items = len(who)
    top = np.array([_top_speed(manoeuvres[j], float(g)) for j, g in zip(what, grip, strict=True)])
    low, high = BEGIN_SHARE * top, top.copy()
    then = np.full(items, EndKind.FINISHED, dtype=np.int8)
    active: NDArray[np.intp] = np.arange(items)
    total = items * sum(rounds)
    done = 0

    def told(now: int, _of: int) -> None:
        if progress is not None:
            progress(min(done + now, total), total)

    def narrow(which: NDArray[np.intp], speed: Array) -> NDArray[np.bool_]:
        """Drive some items at some speeds, rising, and bring their bounds in; True where even the first fails."""
        nonlocal done
        end = drive_picks(
            contenders,
            manoeuvres,
            picks_of(who[which, None], what[which, None], speed, grip[which, None]),
            progress=told,
            cancelled=cancelled,
        )
        done += speed.size
        kind = end.kind.reshape(speed.shape)
        failed = kind != EndKind.FINISHED
        some, at, row = failed.any(axis=1), failed.argmax(axis=1), np.arange(len(which))
        high[which] = np.where(some, speed[row, at], high[which])
        then[which] = np.where(some, kind[row, at], then[which])
        below = np.where(some, speed[row, np.maximum(at - 1, 0)], speed[:, -1])
        low[which] = np.where(some & (at == 0), low[which], below)
        return np.asarray(some & (at == 0))

    for number, count in enumerate(rounds):
        if number == 0:
            share = np.linspace(BEGIN_SHARE, 1.0, count)
            early = narrow(active, top[active, None] * share)
            if early.any():
                which = active[early]
                low[which] = 0.0
                narrow(which, top[which, None] * np.linspace(SLOWEST_SHARE, BEGIN_SHARE, count)[:-1])
            active = active[then != EndKind.FINISHED]
        elif active.size:
            inside = np.arange(1, count + 1) / (count + 1)
            narrow(active, low[active, None] + (high - low)[active, None] * inside)
    return Fastest(low, np.where(then == EndKind.FINISHED, 0.0, high - low), then)
