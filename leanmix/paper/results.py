"""The build sheet's sections on what was worked out: endpoints, caps, ends of the throw, curve, tipping, proof."""

from __future__ import annotations

import math

from leanmix.drawing import Series, chart
from leanmix.linkage import pulse_us, servo_calibrations
from leanmix.mixer import image_crc32
from leanmix.paper.facts import Facts
from leanmix.paper.flow import Block, figure, gap, heading, paragraph, table

__all__ = ["caps_section", "curve_section", "ladder_section", "proof_section", "tip_section"]


def _deg(value: float, places: int = 2) -> str:
    return "–" if not math.isfinite(value) else f"{round(value, places) + 0.0:.{places}f}°".replace("-", "−")


def caps_section(facts: Facts, width: float) -> list[Block]:
    """Endpoints and caps in µs and degrees, with what set them."""
    out = [heading("Endpoints and caps", width)]
    m, n = facts.source.machine, facts.setup.numbers
    if facts.caps is None:
        return [*out, *_missing(facts, width)]
    rows = []
    for way, cap, sign in (("left", facts.caps.left, 1), ("right", facts.caps.right, -1)):
        pulses = [float(p) for p in pulse_us(m, n, math.radians(sign * cap.throw_deg))]
        lean = facts.poses[way].lean_deg * sign if way in facts.poses else math.nan
        rows.append(
            (f"leaning {way}", _deg(cap.throw_deg), " / ".join(f"{p:.1f}" for p in pulses), _deg(lean), cap.why)
        )
    names = [c.name for c in servo_calibrations(m, n)]
    servo = "µs" if names == ["both"] else f"µs, {' / '.join(names)} servo"
    shares = (0.16, 0.12, 0.20, 0.12, 0.40)
    out += table(("cap", "arm", servo, "lean", "set by"), rows, [width * x for x in shares])
    s, b = m.steering, m.board
    more = [
        ("servo neutral", " / ".join(f"{float(c.neutral_us):g} µs" for c in servo_calibrations(m, n)), "the file; also the failsafe pulse"),
        ("servo maker's range", f"{m.servo.pulse_min_us.at:g} to {m.servo.pulse_max_us.at:g} µs", m.servo.pulse_min_us.source or "the file"),
        ("steering pulse: full right, neutral, full left", f"{s.pulse_right_us.at:g}, {s.pulse_neutral_us.at:g}, {s.pulse_left_us.at:g} µs", s.pulse_neutral_us.source or "the file"),
        ("steering pulses taken for noise", f"below {b.input_min_us.at:g} and above {b.input_max_us.at:g} µs", "the file"),
        ("slew limit", f"{b.slew_us_per_frame.at:g} µs a frame of 20 ms", "the file"),
        ("steering lost", f"to neutral after {b.failsafe_frames} frames", "the file"),
    ]  # fmt: skip
    out += table(("endpoint", "figure", "from"), more, (width * 0.4, width * 0.36, width * 0.24))
    out.append(
        paragraph(
            "The caps are in the table image and the board enforces them last of all. Set no endpoint on the transmitter's lean "
            "channel: the board drives the lean servo, the transmitter only steers.",
            width,
        )
    )
    return out


def _missing(facts: Facts, width: float) -> list[Block]:
    words = facts.missing or ("This was not worked out.",)
    return [paragraph(w, width, indent_mm=5.0, mark="!") for w in words]


def ladder_section(facts: Facts, width: float) -> list[Block]:
    """Every end of the throw each way, in order, with what would help."""
    out = [heading("What ends the throw", width)]
    shares = (0.08, 0.13, 0.08, 0.31, 0.10, 0.08, 0.22)
    for way in ("left", "right"):
        rows = [
            (
                _deg(stop.throw_deg, 1),
                " / ".join(f"{p:.0f}" for p in stop.pulses_us),
                _deg(stop.lean_deg, 1),
                stop.says,
                "blocks" if stop.blocks else "touches",
                "–" if stop.gain_deg is None else f"+{_deg(stop.gain_deg, 1)}",
                stop.cure,
            )
            for stop in facts.ladder.way(way)
        ]
        if not rows:
            rows = [("–", "–", "–", "nothing within reach", "–", "–", "–")]
        titles = ("arm", "pulse, µs", "lean", f"leaning {way}", "kind", "gain", "what helps")
        out += table(titles, rows, [width * x for x in shares], size_mm=2.5)
        out.append(gap(1.5))
    out.append(
        paragraph(
            "Blocks: nothing elastic lies between servo and obstacle, so the servo stalls. Touches: beyond the spring, so lean grows "
            "more slowly while the spring goes on loading. Gain: lean won up to the next end, if this one were removed.",
            width, size_mm=2.6,
        )
    )  # fmt: skip
    out += [paragraph(note, width, indent_mm=5.0, mark="·") for note in facts.ladder.notes]
    return out


def curve_section(facts: Facts, width: float) -> list[Block]:
    """Steer to lean and to arm, as a picture and as a table of the points that matter."""
    out = [heading("The curve: steering to lean", width)]
    plan, points = facts.plan, facts.curve
    if plan is None or points is None or facts.caps is None:
        return [*out, *_missing(facts, width)]
    at = points.steer.tolist()
    series = [Series("lean", at, points.lean_deg.tolist()), Series("servo arm", at, points.held_deg.tolist())]
    if plan.machine.lean.ask == "lean":
        series.append(Series("lean asked for", at, points.asked_deg.tolist()))
    caps = facts.caps
    level = [(caps.left.throw_deg, f"arm's cap left {_deg(caps.left.throw_deg, 1)}"), (-caps.right.throw_deg, f"arm's cap right {_deg(caps.right.throw_deg, 1)}")]  # fmt: skip
    drawn = chart(
        series, width, 82.0, "steering: −1 full right, 0 neutral, 1 full left", "degrees, left +", level=level
    )
    out.append(figure(drawn, 82.0))
    rows = [
        (
            f"{points.steer[i]:+.2f}".replace("-", "−") if points.steer[i] else "0",
            _deg(points.held_deg[i]),
            " / ".join(f"{p[i]:.1f}" for p in points.pulses_us),
            _deg(points.lean_deg[i]),
        )
        for i in range(0, len(at), (len(at) - 1) // 8)
    ]
    out.append(gap(2.0))
    out += table(("steering", "servo arm", "pulse, µs", "lean"), rows, [width / 4] * 4)
    return out


def tip_section(facts: Facts, width: float) -> list[Block]:
    """Tip limits before and after, standing straight against leaning into the turn."""
    out = [heading("Tipping: before and after", width)]
    if not facts.tips:
        return [*out, *_missing(facts, width)]

    def g(value: float) -> str:
        return f"{value:.2f} g" if math.isfinite(value) else "–"

    rows = [
        (r.what, f"turning {r.way}", g(r.before_g), g(r.after_g), f"{100 * (r.after_g / r.before_g - 1):+.1f} %".replace("-", "−") if r.before_g else "–")
        for r in facts.tips
    ]  # fmt: skip
    shares = (0.40, 0.18, 0.14, 0.14, 0.14)
    out += table(("limit", "turn", "upright", "leaning in", "change"), rows, [width * x for x in shares])
    out += _surfaces(facts, width)
    out.append(
        paragraph(
            "Lateral acceleration over g at which the machine goes over, on a flat surface that grips. Leaning in: with the lean that "
            "full lock gives, into the turn. On its springs is what counts; taken as rigid flatters. A surface with less grip slides "
            "first. Figures of a model fed with the numbers of this file: drive up to them gently.",
            width,
        )
    )
    return out


def _surfaces(facts: Facts, width: float) -> list[Block]:
    """Which comes first on each surface of the file."""
    limits = [v for r in facts.tips if r.what == "on its springs" for v in (r.before_g, r.after_g) if math.isfinite(v)]
    rows = []
    for surface in facts.source.machine.surfaces:
        grip, tol = surface.grip.at, surface.grip.tol or 0.0
        first = "either, within this grip's range"
        if limits and grip + tol < min(limits):
            first = "slides before it tips"
        elif limits and grip - tol > max(limits):
            first = "tips before it slides"
        spread = f"{grip:g} ± {tol:g}" if tol else f"{grip:g}"
        rows.append((surface.name, spread, surface.grip.source or "the file", first))
    if not rows or not limits:
        return []
    return table(("surface", "grip", "from", "on the flat"), rows, [width * x for x in (0.34, 0.16, 0.16, 0.34)])


def proof_section(facts: Facts, width: float) -> list[Block]:
    """The proof's checks."""
    out = [heading("The table's proof", width)]
    if facts.table is None:
        return [*out, *_missing(facts, width)]
    rows = [
        (c.name, c.figure, f"{c.inputs:,}".replace(",", " "), "held" if c.passed else "FAILED") for c in facts.checks
    ]
    shares = (0.46, 0.28, 0.14, 0.12)
    out += table(
        ("check, through the mixer's own C core", "worst met", "inputs", ""), rows, [width * x for x in shares]
    )
    out.append(
        paragraph(
            f"Table of {len(facts.table.image.outputs)} × 33 knots, CRC-32 {image_crc32(facts.table.image.encode()):08x}; made for the machine "
            f"file with SHA-256 {facts.source.digest.hex()}.",
            width, size_mm=2.6,
        )
    )  # fmt: skip
    return out
