"""The build sheet's sections on what is cut, printed and screwed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from leanmix.linkage import SideGeometry, nearest_tooth, servo_calibrations
from leanmix.machine import (
    CAP_SCREWS,
    Measured,
    Side,
    fastener_errors,
    fastener_remarks,
    general_tolerance_mm,
    length_tolerance_mm,
    plastic_hole_mm,
    rod_fit,
    screw_fit,
    slide_fit,
)
from leanmix.paper.facts import Facts
from leanmix.paper.flow import Block, gap, heading, paragraph, table

__all__ = ["arm_section", "given", "guide_section", "link_section", "screw_section"]

_ORIGIN = "worked out"
_TITLES = ("what", "figure", "from")
SERVO_MIDDLE_US = 1500.0


def given(value: Measured | None, unit: str, otherwise: str = "") -> tuple[str, str]:
    """A measured value as (figure with unit and tolerance, where it came from)."""
    if value is None:
        return otherwise, ""
    tol = f" ± {value.tol:g}" if value.tol else ""
    space = "" if unit == "°" else " "
    return f"{value.at:g}{tol}{space}{unit}".rstrip().replace("-", "−"), value.source or "the file"


def _mm(value: float, places: int = 2) -> str:
    return f"{round(value, places) + 0.0:.{places}f} mm".replace("-", "−")


def _three(width: float) -> tuple[float, float, float]:
    return width * 0.46, width * 0.28, width * 0.26


def _each(facts: Facts, table_name: str) -> Iterator[tuple[str, Side, SideGeometry]]:
    """Both sides as one where a table of the file, and the link that comes of it all, is alike."""
    m = facts.source.machine
    left, right = facts.setup.geometry
    same = getattr(m.left, table_name) == getattr(m.right, table_name)
    if same and (table_name != "link" or abs(float(left.link_length_mm - right.link_length_mm)) < 0.005):
        yield "each side", m.left, left
    else:
        yield "left", m.left, left
        yield "right", m.right, right


def link_section(facts: Facts, width: float) -> list[Block]:
    """Link lengths, rod to cut, thread engagement."""
    out = [heading("Links: what to cut", width)]
    rows: list[tuple[str, str, str]] = []
    for name, side, geo in _each(facts, "link"):
        link = side.link
        length = float(geo.link_length_mm)
        rod = rod_fit(length, link.rod_end_mm.at, link.thread_in_mm.at, link.rod_diameter_mm.at)
        origin = "worked out for this ride height" if link.length_mm is None else link.length_mm.source or "the file"
        thread = f"{link.thread_in_mm.at:g} mm = {rod.thread_in_d:.1f} diameters"
        rows += [
            (f"{name}: link, ball centre to ball centre", _mm(length), origin),
            (f"{name}: ball centre to the end's face", *given(link.rod_end_mm, "mm")),
            (f"{name}: thread in each end", thread, link.thread_in_mm.source or "the file"),
            (f"{name}: rod diameter", *given(link.rod_diameter_mm, "mm")),
            (f"{name}: rod to cut", f"{rod.cut_mm:.2f} ± {general_tolerance_mm(max(0.5, rod.cut_mm)):g} mm", f"{_ORIGIN}; ± ISO 2768-1 m"),
            (f"{name}: rod left bare between the ends", _mm(rod.bare_mm), _ORIGIN),
        ]  # fmt: skip
        if rod.cut_mm <= 0 or rod.bare_mm < 0:
            out.append(_warning(f"{name}: the two ends meet before this length: no rod fits between them.", width))
    out += table(_TITLES, rows, _three(width))
    out.append(
        paragraph(
            "Cut the rod, dress its ends, screw both ends on by the same number of turns, then set the length by calipers "
            "over the two balls. Both ends must keep the thread stated: a longer gap is not to be made by unscrewing one end.",
            width,
        )
    )
    return out


def _warning(text: str, width: float) -> Block:
    return paragraph(text, width, bold=True, indent_mm=5.0, mark="!")


def arm_section(facts: Facts, width: float) -> list[Block]:
    """Servo arm: radius, spacing against the mounts, spline tooth, trim."""
    m = facts.source.machine
    n = facts.setup.numbers
    double = m.servo.arrangement == "double_arm"
    rows: list[tuple[str, str, str]] = []
    for name, side, _ in _each(facts, "arm"):
        rows.append((f"{name}: servo axis to ball", *given(side.arm.radius_mm, "mm")))
        rows.append((f"{name}: ball over the axis' level, arm centred", *given(side.arm.rest_deg, "°")))
    if double:
        across = m.left.arm.radius_mm.at + m.right.arm.radius_mm.at
        mounts = m.left.mount.ball.out.at + m.right.mount.ball.out.at
        rows.append(("arm, ball to ball", _mm(across), _ORIGIN))
        rows.append(("mounts' balls, left to right", _mm(mounts), _ORIGIN))
    tooth_deg = 360.0 / m.servo.spline_teeth
    rows.append(("one tooth of the spline", f"{tooth_deg:.2f}° ({m.servo.spline_teeth} teeth)", "360° over the teeth"))
    lines = []
    for calibration in servo_calibrations(m, n):
        servo = "" if calibration.name == "both" else f"{calibration.name} servo: "
        # raising the right servo's ball is throw to the right
        sense = -1.0 if calibration.name == "right" else 1.0
        per_deg = sense * float(np.deg2rad(calibration.us_per_rad))
        turn = (float(calibration.neutral_us) - SERVO_MIDDLE_US) / per_deg
        fit = nearest_tooth(m.servo.spline_teeth, turn, per_deg, double_arm=double)
        rows.append(
            (
                f"{servo}neutral pulse now",
                f"{float(calibration.neutral_us):g} µs",
                m.servo.pulse_neutral_us.source or "the file",
            )
        )
        rows.append(
            (
                f"{servo}trim that remains at the nearest tooth",
                f"{fit.trim_deg:+.2f}° = {fit.trim_us:+.1f} µs".replace("-", "−"),
                _ORIGIN,
            )
        )
        words = servo + _tooth_words(fit.teeth, fit.end_for_end, fit.trim_us, "left ball" if double else "ball")
        lines.append(words[:1].upper() + words[1:])
    out = [heading("Servo arm: spline tooth and trim", width), *table(_TITLES, rows, _three(width))]
    out += [paragraph(line, width, indent_mm=5.0, mark="·") for line in lines]
    if double and abs(across - mounts) > 0.5:
        out.append(
            paragraph(
                f"The arm's balls stand {_mm(abs(across - mounts), 1)} {'closer' if across < mounts else 'wider'} than the mounts': "
                "the links push at an angle to the guides. Equal spacing keeps them parallel at neutral.",
                width, indent_mm=5.0, mark="!",
            )
        )  # fmt: skip
    out.append(
        paragraph(
            "Hold the servo at its neutral pulse when the arm goes on. What one tooth leaves over is taken out by the board's "
            "neutral pulse, never by bending a link or by the transmitter's trim.",
            width,
        )
    )
    return out


def _tooth_words(teeth: int, end_for_end: bool, trim_us: float, ball: str) -> str:
    moves = []
    if end_for_end:
        moves.append("turn the arm end for end")
    if teeth:
        moves.append(
            f"move it {abs(teeth)} {'tooth' if abs(teeth) == 1 else 'teeth'} so that the {ball} {'rises' if teeth > 0 else 'drops'}"
        )
    if not moves:
        return (
            f"The arm is on the tooth that comes nearest; keep the neutral pulse at {SERVO_MIDDLE_US + trim_us:.1f} µs."
        )
    return f"{' and '.join(moves)}, then set the neutral pulse to {SERVO_MIDDLE_US + trim_us:.1f} µs."


def screw_section(facts: Facts, width: float) -> list[Block]:
    """Screws joint by joint, sizes of heads and holes, what does not fit."""
    m = facts.source.machine
    out = [heading("Screws and holes", width)]
    if not m.screws:
        return [
            *out,
            paragraph("The machine file has no [[screw]] yet: list each joint to have its length checked.", width),
        ]
    rows = []
    for s in m.screws:
        fit = screw_fit(s)
        tip = f"{abs(fit.stands_out_mm):.2f} mm {'past' if fit.stands_out_mm > 0.005 else 'short of'} the thread's end"
        if abs(fit.stands_out_mm) <= 0.005:
            tip = "flush with the thread's end"
        behind = {"open": "open behind", "slide": "slide behind", "closed": "blind"}[s.beyond]
        rows.append(
            (
                s.name,
                f"{s.thread} × {s.length_mm.at:g} mm",
                f"{s.clamped_mm.at:g} + {s.threaded_mm.at:g} = {fit.stack_mm:g} mm",
                f"{fit.bite_mm:.2f} mm = {fit.bite_d:.1f} d in {s.into}",
                f"{tip}; {behind}",
            )
        )
    shares = (0.23, 0.14, 0.19, 0.21, 0.23)
    out += table(("joint", "cap screw", "clamped + thread", "bite", "tip"), rows, [width * x for x in shares])
    for finding in fastener_errors(m):
        out.append(_warning(f"{finding.what} {finding.todo}", width))
    for finding in fastener_remarks(m):
        out.append(paragraph(f"{finding.what} {finding.todo}", width, indent_mm=5.0, mark="·"))
    near = [
        s
        for s in m.screws
        if s.beyond == "slide" and abs(screw_fit(s).stands_out_mm) < length_tolerance_mm(s.length_mm.at)
    ]
    for s in near:
        out.append(
            paragraph(
                f'"{s.name}" ends at the slide: a {s.length_mm.at:g} mm screw may be {length_tolerance_mm(s.length_mm.at):g} mm '
                "longer as sold. Try the mount by hand before and after tightening, and dress the tip if it can be felt.",
                width, indent_mm=5.0, mark="·",
            )
        )  # fmt: skip
    sizes = []
    for thread in dict.fromkeys(s.thread for s in m.screws):
        c = CAP_SCREWS[thread]
        sizes.append(
            (
                thread,
                f"Ø{c.head_mm:g} (knurled {c.head_knurled_mm:g}) × {c.head_height_mm:g}, key {c.socket_mm:g}",
                f"{c.hole_fine_mm:g} / {c.hole_medium_mm:g} / {c.hole_coarse_mm:g}",
                f"Ø{c.counterbore_mm:g} × {c.counterbore_depth_mm:g}",
                f"Ø{plastic_hole_mm(thread):.2f}, {2 * c.diameter_mm:g} to {3 * c.diameter_mm:g} deep",
            )
        )
    shares = (0.10, 0.31, 0.23, 0.16, 0.20)
    out.append(gap(1.5))
    out += table(
        ("thread", "head, mm", "hole fine / medium / coarse, mm", "counterbore, mm", "in plastic, mm"),
        sizes,
        [width * x for x in shares],
    )
    out.append(
        paragraph(
            "Heads: ISO 4762. Clearance holes: ISO 273. Counterbores: DIN 974-1. Hole in plastic 0.85 of the diameter and 2 to 3 "
            "diameters deep: common practice. Sink a head just so deep that the screw fills its thread and does not stand out on the far side.",
            width, size_mm=2.6,
        )
    )  # fmt: skip
    return out


def guide_section(facts: Facts, width: float) -> list[Block]:
    """Sliding fit of the mounts."""
    rows: list[tuple[str, str, str]] = []
    for name, side, _ in _each(facts, "guide"):
        fit = slide_fit(side)
        rows += [
            (f"{name}: play across the guide", *given(side.guide.clearance_mm, "mm")),
            (f"{name}: play with tolerance", f"{fit.least_mm:.2f} to {fit.most_mm:.2f} mm", _ORIGIN),
            (f"{name}: length over which they touch", *given(side.guide.bearing_length_mm, "mm")),
            (f"{name}: the mount can rock by", f"{fit.rock_deg:.2f}°", f"{_ORIGIN}: play over length"),
            (f"{name}: friction taken for it", *given(side.guide.friction, "")),
        ]
    return [
        heading("Sliding fit: mount in guide", width),
        paragraph(
            "Printed parts miss by ± 0.5 mm or 1 % (print-service guides), often more than the play wanted: print the test-fit gauge "
            "first, in the same material and the same way up, and take the slot that slips freely. Dress the running faces where supports "
            "stood, along the way of sliding, until the mount falls through its travel by its own weight. File whichever "
            "of the two is quicker to print again.",
            width,
        ),
        *table(_TITLES, rows, _three(width)),
    ]
