"""A drive as a table, as traces in CSV, as strips in the terminal and on paper; and the bar that long sums show."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from leanmix.commands._common import quiet

if TYPE_CHECKING:
    from leanmix.drawing import Drawing
    from leanmix.response import DriveReport, GripEnd, Row, Traces

__all__ = ["MODEL_NOTE", "bar", "drive_drawing", "drive_rows", "strips", "traces_csv"]

MODEL_NOTE = (
    "Grip, drag and slip angles are estimates, and the model knows no bumps, ruts or wind: use it to compare, and "
    "drive with room to spare."
)
_STRIPS = (
    ("steer", "deg", (("wheel_deg", "wheel"), ("steer_deg", "runners"))),
    ("lean", "deg", (("lean_deg", ""),)),
    ("load moved to one runner", "", (("transfer", ""),)),
)


@contextmanager
def bar(what: str) -> Iterator[Callable[[int, int], None] | None]:
    """A progress bar on a terminal; nothing elsewhere and with ``--quiet``."""
    if quiet() or not sys.stderr.isatty():
        yield None
        return
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from leanmix.commands._common import console

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console(stderr=True), transient=True) as shown:
        task = shown.add_task(what, total=None)

        def tell(done: int, total: int) -> None:
            shown.update(task, completed=done, total=total)

        yield tell


def _ms(span: tuple[float, float] | None) -> str:
    if span is None:
        return "–"
    low, high = span
    return f"{low:.0f} ms" if high - low < 1 else f"{low:.0f} to {high:.0f} ms"


def _number(value: float | None, unit: str, digits: int = 1) -> str:
    return "–" if value is None else f"{value:.{digits}f}{unit}"


def _grips(row: Row, tell: Callable[[GripEnd], str]) -> str:
    told = [tell(g) for g in row.grips]
    return told[0] if len(set(told)) == 1 else " | ".join(told)


def _tip(g: GripEnd) -> str:
    if g.kind == "tipped":
        falls = "" if g.falls_s is None else f", falling from {g.falls_s:.2f} s at {g.falls_g or 0:.2f} g"
        return f"tips {g.tip_to}{falls}"
    lift = "" if g.lift_s is None else f", lifts at {g.lift_s:.2f} s"
    return ("no tip" if g.kind == "finished" else f"{g.says} at {g.at_s:.1f} s") + lift


def _slide(g: GripEnd) -> str:
    parts = [
        f"{what} {at:.2f} s" for what, at in (("runners", g.runner_slide_s), ("rear", g.rear_slide_s)) if at is not None
    ]
    return ", ".join(parts) or "no"


def _fastest(g: GripEnd) -> str:
    if g.fastest_m_per_s is None:
        return "–"
    over = g.fastest_ends == "went through"
    return f"{'over ' if over else ''}{g.fastest_m_per_s:.2f} m/s" + ("" if over else f", then {g.fastest_ends}")


def _until(lean_deg: float | None, falls_s: float | None) -> str:
    falls = "" if lean_deg is None or falls_s is None else f" before the fall at {falls_s:.2f} s"
    return _number(lean_deg, "°", 2) + falls


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{100 * value:.0f} %"


_ROWS: dict[str, tuple[tuple[str, Callable[[Row], str]], ...]] = {
    "lag": (
        ("runners behind the wheel", lambda r: _ms(r.steering_lag_ms)),
        ("servo arm behind the wheel", lambda r: _ms(r.arm_lag_ms)),
        ("lean behind the wheel", lambda r: _ms(r.lean_lag_ms)),
        ("yaw behind the wheel", lambda r: _ms(r.yaw_lag_ms)),
    ),
    "rise": (("lean, 10 % to 90 %", lambda r: _number(r.lean_rise_ms, " ms", 0)),),
    "overshoot": (("lean swings past by", lambda r: _percent(r.lean_overshoot_share)),),
    "lean": (
        ("lean that the servo gives, most", lambda r: _until(r.lean_given_deg, r.lean_given_until_s)),
        ("chassis off level, most", lambda r: _until(r.chassis_lean_deg, r.grips[1].falls_s)),
    ),
    "transfer": (
        ("load moved to one runner, most", lambda r: _grips(r, lambda g: _percent(g.most_transfer))),
        ("lateral acceleration, most", lambda r: _grips(r, lambda g: f"{g.most_lateral_g:.2f} g")),
    ),
    "yaw": (("yaw for steer", lambda r: _number(r.yaw_gain_per_s, " °/s for 1°")),),
    "tip": (("tips", lambda r: _grips(r, _tip)),),
    "slide": (("slides from", lambda r: _grips(r, _slide)),),
    "lane": (("off the way, most", lambda r: _grips(r, lambda g: f"{g.most_off_m:.2f} m")),),
    "loop": (("lean one way less lean the other way", lambda r: _number(r.loop_deg, "°", 2)),),
    "fastest": (("fastest pass", lambda r: _grips(r, _fastest)),),
}


def drive_rows(report: DriveReport) -> list[tuple[str, list[str]]]:
    """What the manoeuvre reports, in words: a row's title and a text for each contender; a stalled servo always."""
    rows = [(title, [say(r) for r in report.rows]) for name in report.manoeuvre.report for title, say in _ROWS[name]]
    if any(g.stall_s is not None for r in report.rows for g in r.grips):
        stalls = [_grips(r, lambda g: "no" if g.stall_s is None else f"{g.stall_s:.2f} s") for r in report.rows]
        rows.append(("servo stalls from", stalls))
    return rows


def traces_csv(report: DriveReport) -> str:
    """Every contender's traces at the best guess of grip, one row a step."""
    from leanmix.response import trace_rows

    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(trace_rows(report))
    return out.getvalue()


def _lines(report: DriveReport, lines: tuple[tuple[str, str], ...]) -> list[tuple[str, Traces, str]]:
    """Label, traces and channel of each line in a strip; what is alike for all contenders once."""
    if len(lines) > 1:
        return [(label, report.traces[0], channel) for channel, label in lines]
    return [(r.name, t, lines[0][0]) for r, t in zip(report.rows, report.traces, strict=True)][:4]


def strips(report: DriveReport, columns: int) -> list[str]:
    """The traces as strips of braille dots, one string a row; the first line full, the others ever sparser."""
    import numpy as np

    from leanmix.drawing import Raster

    out: list[str] = []
    wide = max(20, min(columns, 110) - 10)
    for title, unit, lines in _STRIPS:
        shown = _lines(report, lines)
        values = [t[channel][:, 0] for _, t, channel in shown]
        low, high = min(0.0, *(float(v.min()) for v in values)), max(0.0, *(float(v.max()) for v in values))
        span = high - low or 1.0
        end = max(float(t.time_s[-1]) for _, t, _ in shown) or 1.0
        raster = Raster(wide, 5)
        zero = (high / span) * 19
        raster.strokes([[0, zero]], [[2 * wide - 1, zero]], every=6)
        for k, ((_, t, _), v) in enumerate(zip(shown, values, strict=True)):
            raster.path(t.time_s / end * (2 * wide - 1), (high - np.asarray(v)) / span * 19, every=1 + k)
        key = "; ".join(
            f"{label} {('full', 'dotted', 'sparse', 'sparser')[k]}" for k, (label, _, _) in enumerate(shown)
        )
        out.append(
            f"{title}{f' [{unit}]' if unit else ''}, + left: {key}".replace(
                "load moved to one runner, + left", "load moved, + to the right runner"
            )
        )
        rows = raster.lines()
        marks = [f"{high:8.2f}", *[" " * 8] * (len(rows) - 2), f"{low:8.2f}"]
        out.extend(f"{mark} {line}" for mark, line in zip(marks, rows, strict=True))
    out.append(f"{' ' * 8} 0 s{' ' * (wide - 12)}{end:6.2f} s")
    return out


def drive_drawing(report: DriveReport) -> Drawing:
    """The same strips as a drawing, for PNG and SVG."""
    from leanmix.drawing import Drawing, Series, Shape, Text, chart, moved

    wide, high = 180.0, 62.0
    shapes: list[Shape] = []
    total = high * len(_STRIPS) + 12
    for i, (title, unit, lines) in enumerate(_STRIPS):
        series = [
            Series(label, list(map(float, t.time_s)), list(map(float, t[channel][:, 0])))
            for label, t, channel in _lines(report, lines)
        ]
        foot = total - 12 - high * (i + 1)
        y_title = f"{title} [{unit}]" if unit else title
        shapes += [moved(s, 5, foot) for s in chart(series, wide - 10, high - 2, "time [s]", y_title)]
    words = f"{report.rows[0].name}: {report.manoeuvre.name}, {report.speed_m_per_s:g} m/s, grip {report.ground.at:g}"
    shapes.append(Text((5, total - 7), words, 3.4, bold=True))
    return Drawing(wide, total, tuple(shapes), words)
