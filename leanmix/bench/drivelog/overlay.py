"""The log laid over the prediction: how far lean lags, how much of it there is, how level zero is.

measured lean(t) = share × predicted lean(t − lag) + offset, by least squares over a grid of lags, in one pass
over a log of any length. Intervals come from leaving out one piece of the drive at a time (jackknife), because
neighbouring rows of a log are anything but independent.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from leanmix.bench.drivelog.times import Stretch
from leanmix.errors import NoAnswer
from leanmix.machine import Measured

__all__ = ["Overlay", "Prediction", "lay_over", "level_g"]

Array = NDArray[np.float64]

# From a stretch's columns (shape (rows,) each) to the lean they should give, in degrees, + left; NaN where unknown.
Prediction = Callable[[Mapping[str, Array]], Array]

LAG_MAX_S = 1.2
LAG_STEPS = 121
PIECE_S = 4.0
THIN_S = 0.02
PIECES_LEAST = 8
PIECES_MOST = 400
SPREAD_LEAST_DEG = 0.5


@dataclass(frozen=True, slots=True)
class Overlay:
    """What the log says against the prediction.

    Parameters
    ----------
    lag_s : Measured
        How far the lean comes behind the prediction [s].
    share : Measured
        Measured lean over predicted lean; 1 is as predicted.
    offset_deg : Measured
        Lean where none is predicted: the logger sits crooked, or neutral is off.
    left_over_deg : float
        Root mean square of what is not explained.
    explained : float
        Share of the measured lean's variance that is.
    rows : int
        Rows used.
    at_end : bool
        Whether the lag ran into the end of the lags tried, so that it is no answer.
    """

    lag_s: Measured
    share: Measured
    offset_deg: Measured
    left_over_deg: float
    explained: float
    rows: int
    at_end: bool


class _Sums:
    """Sums for each lag and each piece of the drive: n, x, y, xx, xy, yy; shape (pieces, lags, 6)."""

    def __init__(self) -> None:
        self.lags = np.linspace(-0.1, LAG_MAX_S, LAG_STEPS)
        self.pieces: list[Array] = []
        self.piece_s = PIECE_S

    def add(self, piece: int, sums: Array) -> None:
        while len(self.pieces) <= piece:
            self.pieces.append(np.zeros((len(self.lags), 6)))
        self.pieces[piece] += sums

    def thin(self) -> None:
        """Join neighbours when there are more pieces than are any use."""
        while len(self.pieces) > PIECES_MOST:
            even = len(self.pieces) // 2 * 2
            joined = [a + b for a, b in zip(self.pieces[:even:2], self.pieces[1:even:2], strict=True)]
            self.pieces = joined + self.pieces[even:]
            self.piece_s *= 2


def lay_over(stretches: Iterable[Stretch], predict: Prediction) -> Overlay:
    """Fit lag, share and offset of the lean over a whole log.

    Parameters
    ----------
    stretches : iterable of Stretch
        With ``lean_deg`` and whatever `predict` needs.
    predict : callable
        Steady prediction, or any other (see `Prediction`).

    Raises
    ------
    NoAnswer
        When the log holds no lean, when hardly any lean was asked for, or when it is too short.
    """
    sums = _Sums()
    carry: dict[str, Array] = {}
    done_s = 0.0
    for stretch in stretches:
        if "lean_deg" not in stretch.columns:
            raise NoAnswer("The log has no lean_deg.", "Log the lean, or map its column: leanmix log map")
        t, y = stretch.columns["t_s"], stretch.columns["lean_deg"]
        x = predict(stretch.columns)
        if stretch.begins:
            done_s += float(carry["t"][-1] - carry["t0"][0]) if carry else 0.0
            carry = {"t0": t[:1]}
        else:
            t, x, y = (np.concatenate([carry[k], v]) for k, v in (("t", t), ("x", x), ("y", y)))
        fresh = 0 if stretch.begins else len(carry["t"])
        _accumulate(sums, t, x, y, fresh, done_s - float(carry["t0"][0]))
        tail = t >= t[-1] - LAG_MAX_S - 0.2
        carry = {"t0": carry["t0"], "t": t[tail], "x": x[tail], "y": y[tail]}
        sums.thin()
    return _answer(sums)


def _accumulate(sums: _Sums, t: Array, x: Array, y: Array, fresh: int, shift_s: float) -> None:
    good = np.isfinite(x)
    if good.sum() < 2:
        return
    tx, xx = t[good], x[good]
    ty, yy = t[fresh:], y[fresh:]
    use = np.isfinite(yy)
    ty, yy = _thinned(ty[use], yy[use])
    if not len(ty):
        return
    piece = ((ty + shift_s) // sums.piece_s).astype(int)
    # the same rows for every lag, or lags could not be compared; a gap in x is not bridged
    step = np.diff(tx, append=tx[-1])
    inside = (ty - LAG_MAX_S >= tx[0]) & (ty + 0.1 <= tx[-1])
    holes = step > 0.5
    if holes.any():
        starts, ends = tx[holes], tx[np.flatnonzero(holes) + 1]
        at = np.searchsorted(ends, ty - LAG_MAX_S)
        inside &= (at >= len(starts)) | (starts[np.minimum(at, len(starts) - 1)] >= ty + 0.1)
    ty, yy, piece = ty[inside], yy[inside], piece[inside]
    for p in np.unique(piece):
        mine = piece == p
        shifted = np.interp(ty[mine][None, :] - sums.lags[:, None], tx, xx)
        here = np.broadcast_to(yy[mine], shifted.shape)
        sums.add(
            int(p),
            np.stack(
                [
                    np.full(len(sums.lags), float(mine.sum())),
                    shifted.sum(1),
                    here.sum(1),
                    (shifted**2).sum(1),
                    (shifted * here).sum(1),
                    (here**2).sum(1),
                ],
                axis=1,
            ),
        )


def _thinned(t: Array, y: Array) -> tuple[Array, Array]:
    """One row for each `THIN_S` at most: more of them say no more about a lag."""
    if len(t) < 2 or t[-1] - t[0] >= THIN_S * (len(t) - 1):
        return t, y
    _, first = np.unique(np.floor(t / THIN_S), return_index=True)
    return t[first], y[first]


def _fit(total: Array, lags: Array) -> tuple[float, float, float, float]:
    """Lag, share, offset and mean square left over, from sums of shape (lags, 6)."""
    n, sx, sy, sxx, sxy, syy = total.T
    vx, vy, cxy = sxx / n - (sx / n) ** 2, syy / n - (sy / n) ** 2, sxy / n - sx * sy / n**2
    left = vy - cxy**2 / np.maximum(vx, 1e-12)
    best = int(np.argmin(left))
    lag, place = float(lags[best]), float(best)
    if 0 < best < len(lags) - 1:
        a, b, c = left[best - 1 : best + 2]
        bend = a - 2 * b + c
        place = best + (0.5 * (a - c) / bend if bend > 0 else 0.0)
        lag = float(np.interp(place, np.arange(len(lags)), lags))
    at = np.arange(len(lags))
    share = float(np.interp(place, at, cxy / np.maximum(vx, 1e-12)))
    mean_x, mean_y = float(np.interp(place, at, sx / n)), float(sy[best] / n[best])
    return lag, share, mean_y - share * mean_x, float(max(0.0, left[best]))


def _answer(sums: _Sums) -> Overlay:
    pieces = [p for p in sums.pieces if p[0, 0] >= 2]
    if len(pieces) < PIECES_LEAST:
        raise NoAnswer(
            f"The log is too short to fit lag and lean: {len(pieces) * sums.piece_s:.0f} s of use.",
            f"Drive {PIECES_LEAST * PIECE_S:.0f} s or more, with turns both ways.",
        )
    whole = np.sum(pieces, axis=0)
    n, sx, _, sxx = whole[0, :4]
    if np.sqrt(max(0.0, sxx / n - (sx / n) ** 2)) < SPREAD_LEAST_DEG:
        raise NoAnswer("Hardly any lean was asked for in this log.", "Drive turns both ways.")
    lag, share, offset, left = _fit(whole, sums.lags)
    without = np.array([_fit(whole - p, sums.lags)[:3] for p in pieces])
    count = len(pieces)
    spread = np.sqrt((count - 1) / count * np.sum((without - without.mean(0)) ** 2, axis=0))
    tol = spread * float(stats.t.ppf(0.975, count - 1))
    vy = whole[0, 5] / n - (whole[0, 2] / n) ** 2
    edge = sums.lags[1] - sums.lags[0]
    return Overlay(
        lag_s=Measured(lag, float(max(tol[0], edge / 20)), "drive"),
        share=Measured(share, float(tol[1]), "drive"),
        offset_deg=Measured(offset, float(tol[2]), "drive"),
        left_over_deg=float(np.sqrt(left)),
        explained=float(1 - left / vy) if vy > 0 else 0.0,
        rows=int(n),
        at_end=bool(lag <= sums.lags[0] + edge or lag >= sums.lags[-1] - edge),
    )


def level_g(columns: Mapping[str, Array]) -> Array | None:
    """Level sideways acceleration [g, + in a left turn], from whatever the log has; None where it has nothing.

    `columns` holds an array a quantity, all of one shape (rows,).

    In order: ``lateral_g`` itself; ``side_g`` (f, felt across the chassis) with the lean λ, (f + sin λ)/cos λ;
    speed times turning rate.
    """
    if "lateral_g" in columns:
        return np.asarray(columns["lateral_g"])
    if "side_g" in columns and "lean_deg" in columns:
        lean = np.deg2rad(columns["lean_deg"])
        with np.errstate(divide="ignore", invalid="ignore"):
            found = (columns["side_g"] + np.sin(lean)) / np.cos(lean)
        return np.where(np.abs(lean) < np.deg2rad(60), found, np.nan)
    if "speed_m_per_s" in columns and "yaw_deg_per_s" in columns:
        return np.asarray(columns["speed_m_per_s"] * np.deg2rad(columns["yaw_deg_per_s"]) / 9.80665)
    return None
