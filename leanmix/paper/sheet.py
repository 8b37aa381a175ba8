"""The build sheet and the templates: pages made of sections, for any paper."""

from __future__ import annotations

import math
from dataclasses import replace

from leanmix import __version__
from leanmix.drawing import Drawing, Shape, Text, moved
from leanmix.linkage import pulse_us
from leanmix.machine import fastener_errors
from leanmix.paper.facts import Facts, way_words
from leanmix.paper.flow import Block, Paper, beside, figure, gap, heading, pages_of, paragraph, table, text_area
from leanmix.paper.front_view import front_view, reach_mm
from leanmix.paper.patterns import arm_pattern, gauge_pattern, link_pattern, mount_pattern
from leanmix.paper.pose import Pose
from leanmix.paper.results import caps_section, curve_section, ladder_section, proof_section, tip_section
from leanmix.paper.rulers import scale_block, tiled
from leanmix.paper.sections import arm_section, given, guide_section, link_section, screw_section

__all__ = ["CAUTIONS", "foot_of", "pose_picture", "sheet_pages", "template_pages"]

CAUTIONS = (
    "Stand the machine on a stand with its drive disconnected before the lean servo gets power: arm, links and mounts pinch "
    "fingers, and a track or wheel that starts to turn takes them with it.",
    "A servo held against a stop draws its stall current: it burns itself or strips its gears within seconds. If it hums, unplug it.",
    "Lithium cells give less and can be damaged when charged or run flat in the cold: keep them warm, and follow their maker's limits.",
    "Screws into printed plastic: tighten by hand, once. Thread lock of the kind for metal cracks many plastics.",
    "Makers' instructions, club rules and local rules come first wherever they differ from this sheet.",
)


def foot_of(facts: Facts) -> str:
    """What every page's foot says: who wrote it, for which machine file."""
    return f"leanmix {__version__} · {facts.source.machine.name} · machine file SHA-256 {facts.source.digest.hex()[:16]}… · view from behind: left is left"


def pose_picture(pose: Pose, width_mm: float, height_mm: float, *, words: bool = True) -> tuple[Shape, ...]:
    """A pose fitted into a picture, with its words: which view, left and right, arm and lean."""
    left, right, up = reach_mm(pose)
    scale = min((width_mm - 6) / (left + right + 14), (height_mm - 10) / (up + 2))
    middle = width_mm / 2 + (left - right) / 2 * scale
    shapes = [moved(s, middle, 8.0) for s in front_view(pose, scale)]
    if words:
        shapes += [
            Text((0, height_mm - 4), "left", 3.0, bold=True, layer="labels"),
            Text((0, height_mm - 8), "seen from behind", 2.4, layer="labels"),
            Text((width_mm, height_mm - 4), "right", 3.0, "end", bold=True, layer="labels"),
            Text((width_mm / 2, 1.6), _pose_words(pose), 2.6, "middle", layer="labels"),
        ]
    return tuple(shapes)


def _pose_words(pose: Pose) -> str:
    return f"arm {way_words(pose.throw_deg)}, lean {way_words(pose.lean_deg)}"


def _glance(facts: Facts, width: float) -> list[Block]:
    m, n = facts.source.machine, facts.setup.numbers
    out: list[Block] = [paragraph(f"{m.name}: build sheet", width, size_mm=6.5, bold=True)]
    if m.about.strip():
        out.append(paragraph(" ".join(m.about.split())[:400], width))
    if "neutral" in facts.poses:
        out.append(figure(pose_picture(facts.poses["neutral"], width, 88.0), 88.0))
    half = width / 2 - 3
    shares = (0.46 * half, 0.32 * half, 0.22 * half)
    track = float(n["left.suspension.contact.out_mm"]) + float(n["right.suspension.contact.out_mm"])
    file_side = [
        ("all-up mass", *given(m.chassis.mass_g, "g")),
        ("balance point, up", *given(m.chassis.cg_up_mm, "mm")),
        ("balance point, behind", *given(m.chassis.cg_behind_mm, "mm")),
        (f"{m.runner.kind}s, contact to contact", f"{track:g} mm", m.left.suspension.contact.out.source or "the file"),
        ("rear", m.rear.kind, "the file"),
        ("lean servo", "one, double arm" if m.servo.arrangement == "double_arm" else "one each side", "the file"),
        ("stall torque", *given(m.servo.stall_torque_N_mm, "N mm")),
    ]
    out.append(gap(2.0))
    out.append(
        beside(
            table(("measured", "figure", "from"), file_side, shares, size_mm=2.5),
            table(
                ("worked out", "left", "right"), _worked_out(facts), (0.5 * half, 0.25 * half, 0.25 * half), size_mm=2.5
            ),
            width / 2 + 3,
        )
    )
    for finding in fastener_errors(m):
        out.append(paragraph(f"{finding.what} {finding.todo}", width, bold=True, indent_mm=5.0, mark="!"))
    for words in facts.missing:
        out.append(paragraph(words, width, bold=True, indent_mm=5.0, mark="!"))
    return [*out, *_cautions(width)]


def _worked_out(facts: Facts) -> list[tuple[str, str, str]]:
    m, n = facts.source.machine, facts.setup.numbers
    left, right = facts.setup.geometry
    rows = [("link, ball to ball", f"{float(left.link_length_mm):.2f} mm", f"{float(right.link_length_mm):.2f} mm")]
    rows.append(("rod to cut", f"{float(left.rod_length_mm):.2f} mm", f"{float(right.rod_length_mm):.2f} mm"))
    if facts.caps is not None:
        throws = (facts.caps.left.throw_deg, -facts.caps.right.throw_deg)
        rows.append(("arm's cap", f"{throws[0]:.2f}°", f"{-throws[1]:.2f}°"))
        pulses = [" / ".join(f"{float(p):.0f}" for p in pulse_us(m, n, math.radians(t))) for t in throws]
        rows.append(("cap, µs", pulses[0], pulses[1]))
    leans = [abs(facts.poses[w].lean_deg) if w in facts.poses else math.nan for w in ("left", "right")]
    if any(map(math.isfinite, leans)):
        rows.append(("lean at the cap", *(f"{v:.2f}°" if math.isfinite(v) else "–" for v in leans)))  # type: ignore[arg-type]
    tips = {t.way: t for t in facts.tips if t.what == "on its springs"}
    if tips:
        rows.append(("tips, upright", *(f"{tips[w].before_g:.2f} g" for w in ("left", "right"))))  # type: ignore[arg-type]
        rows.append(("tips, leaning in", *(f"{tips[w].after_g:.2f} g" for w in ("left", "right"))))  # type: ignore[arg-type]
    return rows


def _cautions(width: float) -> list[Block]:
    return [heading("Cautions", width), *(paragraph(c, width, indent_mm=5.0, mark="!") for c in CAUTIONS)]


def sheet_pages(facts: Facts, paper: Paper) -> tuple[Drawing, ...]:
    """The build sheet: the machine at a glance, what to cut, print and screw, what was worked out, cautions.

    Parameters
    ----------
    facts : Facts
        What to say.
    paper : Paper
        A4 or LETTER.
    """
    width, _ = text_area(paper)
    blocks = [
        *_glance(facts, width),
        *_on_new_page(link_section(facts, width)),
        *arm_section(facts, width),
        *screw_section(facts, width),
        *guide_section(facts, width),
        *caps_section(facts, width),
        *ladder_section(facts, width),
        *curve_section(facts, width),
        *_poses_at_caps(facts, width),
        *tip_section(facts, width),
        *proof_section(facts, width),
    ]
    return pages_of(blocks, paper, f"{facts.source.machine.name}: build sheet", foot_of(facts))


def _on_new_page(blocks: list[Block]) -> list[Block]:
    return [replace(blocks[0], new_page=True), *blocks[1:]]


def _poses_at_caps(facts: Facts, width: float) -> list[Block]:
    pictures = [facts.poses[w] for w in ("left", "right") if w in facts.poses]
    if not pictures:
        return []
    half = width / 2 - 3
    blocks = [figure(pose_picture(p, half, 62.0), 62.0) for p in pictures]
    return [heading("At the caps", width), beside(blocks[:1], blocks[1:], half + 6), gap(2.0)]


def template_pages(facts: Facts, paper: Paper) -> tuple[Drawing, ...]:
    """Templates to size: arm, link, mount and gauge patterns, then the front view at neutral and at both caps, tiled.

    Parameters
    ----------
    facts : Facts
        What to draw.
    paper : Paper
        A4 or LETTER; front views are turned or tiled as they need.
    """
    width, _ = text_area(paper)
    title = f"{facts.source.machine.name}: templates to size"
    blocks: list[Block] = [heading("Patterns to size, 1:1", width), scale_block(), gap(3.0)]
    source = facts.source
    for pattern in (*arm_pattern(source), *link_pattern(source), *mount_pattern(source), gauge_pattern(source)):
        blocks += [figure(pattern.shapes, pattern.height_mm), gap(5.0)]
    blocks += _places(facts, width)
    pages = pages_of(blocks, paper, title, foot_of(facts))
    for name, words in (
        ("neutral", "arm centred"),
        ("left", "arm at its cap, leaning left"),
        ("right", "arm at its cap, leaning right"),
    ):
        if name in facts.poses:
            pose = facts.poses[name]
            left, right, up = reach_mm(pose)
            wide, high = left + right + 16.0, up + 14.0
            shapes = [moved(s, left + 8.0, 10.0) for s in front_view(pose, holes=True)]
            label = f"{facts.source.machine.name}, {words} ({_pose_words(pose)}), 1:1, seen from behind"
            pages += tiled(shapes, wide, high, paper, label, foot_of(facts))
    return pages


def _places(facts: Facts, width: float) -> list[Block]:
    """Pivots and balls at neutral, as numbers."""
    if "neutral" not in facts.poses:
        return []
    pose = facts.poses["neutral"]
    rows = []
    for name, (x, up) in pose.left.points.items():
        right = pose.right.points[name]
        rows.append((name, *(f"{round(v, 2) + 0.0:.2f}".replace("-", "−") for v in (-x, up, *right))))
    titles = ("place at neutral, mm", "left: out", "left: up", "right: out", "right: up")
    shares = (0.4, 0.15, 0.15, 0.15, 0.15)
    return [heading("Pivots and balls", width), *table(titles, rows, [width * x for x in shares])]
