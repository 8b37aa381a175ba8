"""Many builds drawn from the file's tolerances: how the first stop spreads, what cap that asks for, what to measure.

Each build is drawn from the tolerances of the file and searched like a single machine, to the first block each way. Jam is
reckoned with the friction drawn for that build, not with the high end of its range. A link that the file leaves
out is taken as turned to length until the mount stands right, in each build.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.machine import Machine, Numbers, draw_builds, each_number
from leanmix.stops.loads import StateSource
from leanmix.stops.mechanism import Mechanism, builds_in, mechanism
from leanmix.stops.search import Fineness, Found, find_hard_ends, find_soft_ends, first_blocks, throw_range
from leanmix.stops.states import MakeStates, parked_balance

__all__ = ["Builds", "Influence", "Spread", "WayOfBuilds", "first_blocks_of", "stops_of_builds"]

BUILDS = 20_000
# many enough to make little of each call's cost, few enough that a chunk's arrays stay near
CHUNK = 8192
FINE = Fineness(resolution_rad=float(np.deg2rad(0.1)), samples=5)
INFLUENCES = 12


@dataclass(frozen=True, slots=True)
class Spread:
    """How a figure spreads over the builds: mean, standard deviation, and the middle 95 of 100.

    Attributes
    ----------
    mean, sd, low, high : float
        In the figure's own unit; `low` and `high` are the 2.5th and 97.5th percentile.
    """

    mean: float
    sd: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Influence:
    """How much of a figure's spread one measurement accounts for.

    Attributes
    ----------
    key : str
        Dotted key in the file's numbers.
    share : float
        Share of the variance, 0 to 1: squared correlation, the draws being independent.
    slope : float
        Change of the figure per unit of that number.
    tol : float
        Its tolerance.
    unit : str
        Its unit.
    """

    key: str
    share: float
    slope: float
    tol: float
    unit: str


@dataclass(frozen=True, slots=True)
class WayOfBuilds:
    """The builds' stops one way.

    Attributes
    ----------
    way : str
        "left" or "right".
    first_block_deg : ndarray, shape (builds,)
        Throw of the first block, ≥ 0; NaN for a build that cannot be put together.
    first_stop_deg : ndarray, shape (builds,)
        Throw of the first stop, touches counted.
    what : tuple of (str, float)
        What blocks first, with the share of builds, most frequent first.
    spread_deg : Spread
        Of the first block.
    clear_deg : float
        Throw that the chosen share of builds reaches without a block.
    cap_deg : float
        That less the file's margin, not below 0 and no more than your own cap.
    influences : tuple of Influence
        What the first block's spread comes from, greatest first.
    """

    way: str
    first_block_deg: Array
    first_stop_deg: Array
    what: tuple[tuple[str, float], ...]
    spread_deg: Spread
    clear_deg: float
    cap_deg: float
    influences: tuple[Influence, ...]


@dataclass(frozen=True, slots=True)
class Builds:
    """Stops of many builds.

    Attributes
    ----------
    builds, seed : int
        How many were drawn, and from which seed.
    share_clear : float
        Share of builds that must stay clear of every block.
    unusable : int
        Builds that could not be put together at neutral; they count as blocked at once.
    left, right : WayOfBuilds
        Each way.
    mount_low_mm : tuple of Spread
        How far the left and the right mount stand below their measured height at neutral.
    left_less_right_mm : Spread
        Left mount below right mount at neutral.
    ways_differ_deg : Spread
        First block left less first block right.
    measure_again : tuple of Influence
        What matters most for the nearer of the two first blocks.
    """

    builds: int
    seed: int
    share_clear: float
    unusable: int
    left: WayOfBuilds
    right: WayOfBuilds
    mount_low_mm: tuple[Spread, Spread]
    left_less_right_mm: Spread
    ways_differ_deg: Spread
    measure_again: tuple[Influence, ...]

    def way(self, name: str) -> WayOfBuilds:
        """One way's builds."""
        return self.left if name == "left" else self.right


@dataclass(frozen=True, slots=True)
class _Firsts:
    """First block and first stop of a chunk of builds, rad; and which of `labels` blocks."""

    block: dict[str, Array]
    stop: dict[str, Array]
    which: dict[str, NDArray[np.intp]]
    labels: tuple[str, ...]
    low: tuple[Array, Array]


def stops_of_builds(
    machine: Machine,
    builds: int = BUILDS,
    seed: int = 0,
    make_states: MakeStates = parked_balance,
    fine: Fineness = FINE,
) -> Builds:
    """Draw many builds and find each one's first block.

    Parameters
    ----------
    machine : Machine
        The machine with its tolerances.
    builds : int
        How many, 2 or more.
    seed : int
        Same seed, same answer.
    make_states : MakeStates
        What balances them.
    fine : Fineness
        How closely to look at each.

    Raises
    ------
    GeometryError
        When the machine as measured cannot be assembled at neutral.
    ValueError
        For fewer than 2 builds.
    """
    if builds < 2:
        raise ValueError("a spread needs two builds at least")
    drawn = draw_builds(machine, builds, seed)
    if builds_in(drawn) == 1:
        # no tolerance anywhere: every build is the same machine
        drawn = Numbers({**drawn, "servo.travel_deg": np.full(builds, drawn["servo.travel_deg"])})
    parts = [
        _firsts(machine, _rows(drawn, a, min(a + CHUNK, builds)), make_states, fine) for a in range(0, builds, CHUNK)
    ]
    return _summary(machine, drawn, builds, seed, parts)


def first_blocks_of(
    machine: Machine, numbers: Numbers, make_states: MakeStates = parked_balance, fine: Fineness = FINE
) -> tuple[Array, Array]:
    """First block left and right of given builds [deg, ≥ 0]; NaN for one that cannot be put together."""
    count = builds_in(numbers)
    parts = [
        _firsts(machine, _rows(numbers, a, min(a + CHUNK, count)), make_states, fine) for a in range(0, count, CHUNK)
    ]
    left, right = (np.rad2deg(np.concatenate([p.block[way] for p in parts])) for way in ("left", "right"))
    return left, right


def _rows(numbers: Numbers, first: int, last: int) -> Numbers:
    return Numbers({k: v[first:last] if isinstance(v, np.ndarray) and v.size > 1 else v for k, v in numbers.items()})


def _label(item: Found) -> str:
    if item.pair is not None:
        return f"{item.pair.first.name} – {item.pair.second.name}"
    return item.kind.replace("_", " ")


def _firsts(machine: Machine, numbers: Numbers, make_states: MakeStates, fine: Fineness) -> _Firsts:
    mech = mechanism(machine, numbers)
    within = throw_range(mech)
    friction = (mech.left.friction, mech.right.friction)
    found = find_hard_ends(mech, within, fine, friction, first_only=True)
    near = first_blocks(found, within)
    found += find_soft_ends(mech, near, fine, StateSource(mech, make_states), friction)
    labels = tuple(dict.fromkeys(_label(f) for f in found if f.blocks))
    broken = ~np.isfinite(within.plus)
    block, stop, which = {}, {}, {}
    for way in ("left", "right"):
        rows = {label: np.full(mech.builds, np.inf) for label in labels}
        soonest = np.full(mech.builds, np.inf)
        for item in found:
            at = item.left_rad if way == "left" else item.right_rad
            soonest = np.minimum(soonest, at)
            if item.blocks:
                rows[_label(item)] = np.minimum(rows[_label(item)], at)
        table = np.stack([rows[label] for label in labels])
        which[way] = table.argmin(axis=0)
        block[way] = np.where(broken, np.nan, table.min(axis=0))
        stop[way] = np.where(broken, np.nan, soonest)
    return _Firsts(block, stop, which, labels, (_low(mech, "left"), _low(mech, "right")))


def _low(mech: Mechanism, side: str) -> Array:
    geo = mech.left if side == "left" else mech.right
    return np.broadcast_to(np.asarray(geo.push_neutral_mm), (mech.builds,))


def _spread(values: Array) -> Spread:
    good = values[np.isfinite(values)]
    if good.size == 0:
        return Spread(np.nan, np.nan, np.nan, np.nan)
    low, high = np.quantile(good, [0.025, 0.975])
    return Spread(float(good.mean()), float(good.std()), float(low), float(high))


def _influences(machine: Machine, drawn: Numbers, figure: Array) -> tuple[Influence, ...]:
    good = np.isfinite(figure)
    y = figure[good]
    if y.size < 3 or y.std() == 0:
        return ()
    y = y - y.mean()
    found = []
    for number in each_number(machine):
        x = drawn[number.key]
        if not number.measured.tol or not isinstance(x, np.ndarray) or x.size == 1:
            continue
        x = x[good] - x[good].mean()
        square = float(x @ x)
        if square > 0:
            slope = float(x @ y) / square
            found.append(
                Influence(number.key, slope**2 * square / float(y @ y), slope, number.measured.tol, number.unit)
            )
    return tuple(sorted(found, key=lambda i: -i.share)[:INFLUENCES])


def _summary(machine: Machine, drawn: Numbers, builds: int, seed: int, parts: list[_Firsts]) -> Builds:
    share = float(machine.limits.share_clear.at)
    margin = float(machine.limits.cap_margin_deg.at)
    ways = {}
    for way in ("left", "right"):
        block = np.rad2deg(np.concatenate([p.block[way] for p in parts]))
        stop = np.rad2deg(np.concatenate([p.stop[way] for p in parts]))
        counts: dict[str, int] = {}
        for part in parts:
            usable = np.isfinite(part.block[way])
            for i, label in enumerate(part.labels):
                counts[label] = counts.get(label, 0) + int(np.count_nonzero(usable & (part.which[way] == i)))
        order = sorted(((label, n / builds) for label, n in counts.items() if n), key=lambda item: -item[1])
        clear = float(np.quantile(np.nan_to_num(block, nan=0.0), 1 - share, method="lower"))
        cap = max(clear - margin, 0.0)
        own = machine.limits.cap_left_deg if way == "left" else machine.limits.cap_right_deg
        ways[way] = WayOfBuilds(
            way=way,
            first_block_deg=block,
            first_stop_deg=stop,
            what=tuple(order),
            spread_deg=_spread(block),
            clear_deg=clear,
            cap_deg=cap if own is None else min(cap, own.at),
            influences=_influences(machine, drawn, block),
        )
    low = tuple(np.concatenate([p.low[i] for p in parts]) for i in (0, 1))
    left, right = ways["left"].first_block_deg, ways["right"].first_block_deg
    return Builds(
        builds=builds,
        seed=seed,
        share_clear=share,
        unusable=int(np.count_nonzero(~np.isfinite(left))),
        left=ways["left"],
        right=ways["right"],
        mount_low_mm=(_spread(low[0]), _spread(low[1])),
        left_less_right_mm=_spread(low[0] - low[1]),
        ways_differ_deg=_spread(left - right),
        measure_again=_influences(machine, drawn, np.minimum(left, right)),
    )
