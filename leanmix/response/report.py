"""What a manoeuvre says about a machine: with its lean, without, and against another machine, on a range of grip."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from leanmix.linkage import Array
from leanmix.response.cases import Contender, GripRange, make_runs, phases_ms, picks_of
from leanmix.response.engine import CHANNELS, MOST_STEP_MS, Outcome, Traces, drive
from leanmix.response.fastest import fastest_pass
from leanmix.response.figures import follow, loop_width, over_steps, step_figures
from leanmix.response.manoeuvre import Manoeuvre
from leanmix.response.watch import End, EndKind

__all__ = ["DriveReport", "GripEnd", "Row", "report_drive", "trace_rows"]

PHASES = 5
# a value no larger than this is rounding
ROUNDING = 1e-12
# a tip says when it happens; what a trace shows of lags before that says nothing
LEAST_S = 0.4


@dataclass(frozen=True, slots=True)
class GripEnd:
    """How a drive went on one grip. Times are None where it did not happen.

    Attributes
    ----------
    grip : float
    kind : str
        "finished", "tipped", "off_the_lane", "stopped", "lost" or "cut_short".
    says : str
        The same in a few words.
    at_s : float
        When it ended.
    tip_to : str
        "left", "right" or "".
    lift_s, falls_s, falls_g, runner_slide_s, rear_slide_s, stall_s : float or None
        See `End`.
    most_transfer, most_lateral_g, most_lean_deg, most_off_m : float
        Largest seen.
    fastest_m_per_s : float or None
        Fastest pass; None where it was not asked for.
    fastest_ends : str
        What ends it just above.
    """

    grip: float
    kind: str
    says: str
    at_s: float
    tip_to: str
    lift_s: float | None
    falls_s: float | None
    falls_g: float | None
    runner_slide_s: float | None
    rear_slide_s: float | None
    stall_s: float | None
    most_transfer: float
    most_lateral_g: float
    most_lean_deg: float
    most_off_m: float
    fastest_m_per_s: float | None
    fastest_ends: str


@dataclass(frozen=True, slots=True)
class Row:
    """One contender's figures, at the best guess of grip. None where the trace does not give one.

    Attributes
    ----------
    name : str
    steering_lag_ms, arm_lag_ms, yaw_lag_ms, lean_lag_ms : tuple of float or None
        Behind the transmitter's wheel, least and most over where in their frames receiver and board happen to be.
        Lean is the lean that the servo gives: with it less without it.
    lean_rise_ms, lean_overshoot_share, lean_given_deg : float or None
        Of the lean given: 10 % to 90 %, (peak − steady)/steady, and its largest size.
    lean_given_until_s : float or None
        Where it goes over, or does so without lean, the lean given is taken only until the first of them begins to
        fall; None where neither does.
    chassis_lean_deg : float
        Largest size of what the chassis does in all, until it begins to fall; in a turn springs roll it out.
    yaw_gain_per_s : float or None
        Yaw rate for runner angle [deg/s per deg].
    loop_deg : float or None
        Widest gap between lean on the way up and on the way down at the same arm angle.
    grips : tuple of GripEnd
        Low, best guess, high.
    """

    name: str
    steering_lag_ms: tuple[float, float] | None
    arm_lag_ms: tuple[float, float] | None
    yaw_lag_ms: tuple[float, float] | None
    lean_lag_ms: tuple[float, float] | None
    lean_rise_ms: float | None
    lean_overshoot_share: float | None
    lean_given_deg: float | None
    lean_given_until_s: float | None
    chassis_lean_deg: float
    yaw_gain_per_s: float | None
    loop_deg: float | None
    grips: tuple[GripEnd, ...]


@dataclass(frozen=True, slots=True)
class DriveReport:
    """All of it.

    Attributes
    ----------
    manoeuvre : Manoeuvre
    speed_m_per_s : float
    ground : GripRange
    rows : tuple of Row
        In the order of the contenders.
    traces : tuple of Traces
        Each contender's, one run, at the best guess of grip and phase 0.
    """

    manoeuvre: Manoeuvre
    speed_m_per_s: float
    ground: GripRange
    rows: tuple[Row, ...]
    traces: tuple[Traces, ...]


def trace_rows(report: DriveReport) -> list[list[str]]:
    """Every contender's traces as a table for other programs: a head with `CHANNELS`, then a row a step."""
    rows = [["machine", "time_s", *CHANNELS]]
    for one, traces in zip(report.rows, report.traces, strict=True):
        # what is only rounding is written as nought
        values = np.where(np.abs(traces.values[:, :, 0]) > ROUNDING, traces.values[:, :, 0], 0.0)
        rows += [
            [one.name, f"{s:.4f}", *(f"{v:.6g}" for v in values[:, i])] for i, s in enumerate(traces.time_s.tolist())
        ]
    return rows


def _held(m: Manoeuvre) -> bool:
    """Whether the wheel goes to one place and stays there."""
    if not m.steer:
        return False
    share = [p.share.at for p in m.steer]
    rises = all(b >= a for a, b in itertools.pairwise(share))
    falls = all(b <= a for a, b in itertools.pairwise(share))
    return abs(share[-1] - share[0]) > 0.01 and (rises or falls)


def report_drive(
    contenders: Sequence[Contender],
    manoeuvre: Manoeuvre,
    grounds: Sequence[GripRange],
    *,
    speed_m_per_s: float | None = None,
    fastest: bool = True,
    most_step_ms: float = MOST_STEP_MS,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> DriveReport:
    """Drive a manoeuvre and report on it.

    Parameters
    ----------
    contenders : sequence of Contender
        A contender with lean is compared with the one after it when that is the same vehicle without.
    manoeuvre : Manoeuvre
        What to drive.
    grounds : sequence of GripRange
        Each contender's ground.
    speed_m_per_s : float, optional
        Instead of the manoeuvre's [m/s].
    fastest : bool
        Whether to look for fastest passes, where the manoeuvre reports them.
    most_step_ms : float
        Longest step of the traces [ms].
    progress : callable, optional
        Told how many of how many runs are done.
    cancelled : callable, optional
        Asked now and then while fastest passes are looked for; once it says True they mean nothing.
    """
    speed = manoeuvre.pace.speed_m_per_s.at if speed_m_per_s is None else speed_m_per_s
    outcomes = [_outcome(c, manoeuvre, g, speed, most_step_ms) for c, g in zip(contenders, grounds, strict=True)]
    passes: list[list[tuple[float, str]]] = [[] for _ in contenders]
    if fastest and "fastest" in manoeuvre.report:
        passes = _passes(contenders, manoeuvre, grounds, progress, cancelled)
    traces = [o.traces for o in outcomes if o.traces is not None]
    rows = [
        _row(c, manoeuvre, grounds[i], outcomes[i], traces[i], _without(contenders, outcomes, i), passes[i])
        for i, c in enumerate(contenders)
    ]
    return DriveReport(manoeuvre, speed, grounds[0], tuple(rows), tuple(t.of_run(1) for t in traces))


def _outcome(c: Contender, manoeuvre: Manoeuvre, ground: GripRange, speed: float, most_step_ms: float) -> Outcome:
    """Runs: low, best and high grip at phase 0, then the best guess at other phases."""
    receiver, board = phases_ms(c.vehicle, PHASES)
    picks = picks_of(
        0,
        0,
        speed,
        np.concatenate([[ground.low, ground.at, ground.high], np.full(PHASES - 1, ground.at)]),
        np.concatenate([np.zeros(3), receiver[1:]]),
        np.concatenate([np.zeros(3), board[1:]]),
    )
    return drive(make_runs([c], [manoeuvre], picks), keep=True, most_step_ms=most_step_ms)


def _passes(
    contenders: Sequence[Contender],
    manoeuvre: Manoeuvre,
    grounds: Sequence[GripRange],
    progress: Callable[[int, int], None] | None,
    cancelled: Callable[[], bool] | None,
) -> list[list[tuple[float, str]]]:
    who = np.repeat(np.arange(len(contenders)), 3)
    grip = np.array([v for g in grounds for v in (g.low, g.at, g.high)])
    found = fastest_pass(contenders, [manoeuvre], who, np.zeros_like(who), grip, progress=progress, cancelled=cancelled)
    flat = [(float(v), EndKind(int(k)).says) for v, k in zip(found.speed_m_per_s, found.then, strict=True)]
    return [flat[3 * i : 3 * i + 3] for i in range(len(contenders))]


def _without(contenders: Sequence[Contender], outcomes: Sequence[Outcome], i: int) -> Outcome | None:
    """How the same vehicle went without lean."""
    for c, outcome in zip(contenders, outcomes, strict=True):
        if c.vehicle is contenders[i].vehicle and c.amount_256ths == 0:
            return outcome
    return None


def _row(
    c: Contender,
    manoeuvre: Manoeuvre,
    ground: GripRange,
    outcome: Outcome,
    t: Traces,
    plain: Outcome | None,
    passes: list[tuple[float, str]],
) -> Row:
    end = outcome.end
    held = _held(manoeuvre)
    runs = [1, *range(3, t.values.shape[2])]
    leans = c.amount_256ths > 0
    given = _given(t, plain.traces) if leans and plain is not None else None
    # what goes to and fro is held against the wheel by its means over steps: between two samples a frame's quick move
    # would be taken for one that lasts the whole step
    seen: Callable[[Array], Array] = np.asarray if held else over_steps
    wheel, steer = seen(t["wheel_deg"]), t["steer_deg"] if held else t.steer_mean_deg
    arm, turn = seen(t["throw_deg"]), seen(t["yaw_deg_per_s"])
    gives = None if given is None else seen(given)
    ends = [end] if plain is None else [end, plain.end]

    def lag(effect: Array | None) -> tuple[float, float] | None:
        if effect is None:
            return None
        found = []
        for run in runs:
            upto = _upto(t.time_s, ends if effect is gives else [end], run)
            one = follow(t.time_s[:upto], wheel[:upto, run], effect[:upto, run], held=held) if upto else None
            if one is not None:
                found.append(1e3 * one.lag_s)
        return (min(found), max(found)) if len(found) == len(runs) else None

    upto, together = _upto(t.time_s, [end], 1), _upto(t.time_s, ends, 1)
    figures = None
    if given is not None and held and together:
        figures = step_figures(t.time_s[:together], given[:together, 1])
    falls = min((float(e.falls_s[1]) for e in ends if e.falls_s[1] >= 0), default=None)
    yaw = follow(t.time_s[:upto], steer[:upto, 1], turn[:upto, 1], held=held) if upto else None
    loop = None
    if "loop" in manoeuvre.report and leans:
        _, width = loop_width(t["throw_deg"][:, 1], t["lean_deg"][:, 1])
        loop = float(np.abs(width).max())
    return Row(
        name=c.name,
        steering_lag_ms=lag(steer),
        arm_lag_ms=lag(arm) if leans else None,
        yaw_lag_ms=lag(turn),
        lean_lag_ms=lag(gives),
        lean_rise_ms=1e3 * figures.rise_s if figures is not None and figures.rise_s >= 0 else None,
        lean_overshoot_share=None if figures is None else figures.overshoot_share,
        lean_given_deg=None if given is None else _most(t.time_s, given[:, 1], falls),
        lean_given_until_s=falls,
        chassis_lean_deg=_most(t.time_s, t["lean_deg"][:, 1], float(end.falls_s[1]) if end.falls_s[1] >= 0 else None),
        yaw_gain_per_s=None if yaw is None else yaw.gain,
        loop_deg=loop,
        grips=tuple(_grip_end(end, i, g, passes) for i, g in enumerate((ground.low, ground.at, ground.high))),
    )


def _upto(time_s: Array, ends: Sequence[End], run: int) -> int:
    """How much of a trace shows the machine going about it: all of it; 0 if too little, or where one did not finish."""
    if any(end.kind[run] != EndKind.FINISHED for end in ends):
        return 0
    upto = int(np.searchsorted(time_s, min(float(end.at_s[run]) for end in ends), side="right"))
    return upto if time_s[upto - 1] >= LEAST_S else 0


def _most(time_s: Array, value: Array, until_s: float | None) -> float:
    """Largest size of a trace, or of what of it there is until a time."""
    upto = len(value) if until_s is None else max(int(np.searchsorted(time_s, until_s, side="right")), 1)
    return float(np.abs(value[:upto]).max())


def _given(t: Traces, plain: Traces | None) -> Array | None:
    if plain is None:
        return None
    steps = min(len(t.time_s), len(plain.time_s))
    out = t["lean_deg"].copy()
    out[:steps] -= plain["lean_deg"][:steps]
    out[steps:] -= plain["lean_deg"][-1]
    return out


def _grip_end(end: End, run: int, grip: float, passes: list[tuple[float, str]]) -> GripEnd:
    def when(value: Array) -> float | None:
        return float(value[run]) if value[run] >= 0 else None

    kind = EndKind(int(end.kind[run]))
    tipped = kind is EndKind.TIPPED
    return GripEnd(
        grip=grip,
        kind=kind.name.lower(),
        says=kind.says,
        at_s=float(end.at_s[run]),
        tip_to=("left" if end.tip_left[run] else "right") if tipped else "",
        lift_s=when(end.lift_s),
        falls_s=when(end.falls_s),
        falls_g=float(end.falls_g[run]) if tipped else None,
        runner_slide_s=when(end.runner_slide_s),
        rear_slide_s=when(end.rear_slide_s),
        stall_s=when(end.stall_s),
        most_transfer=float(end.most_transfer[run]),
        most_lateral_g=float(end.most_lateral_g[run]),
        most_lean_deg=float(end.most_lean_deg[run]),
        most_off_m=float(end.most_off_m[run]),
        fastest_m_per_s=passes[run][0] if passes else None,
        fastest_ends=passes[run][1] if passes else "",
    )
