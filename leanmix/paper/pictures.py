"""Single pictures of a machine: the front view at a pose, and the patterns, as drawings for any format."""

from __future__ import annotations

from collections.abc import Mapping

from leanmix.drawing import Drawing, Shape, moved
from leanmix.machine import MachineFile
from leanmix.paper.front_view import front_view, reach_mm
from leanmix.paper.patterns import Pattern, arm_pattern, gauge_pattern, link_pattern, mount_pattern
from leanmix.paper.pose import Pose
from leanmix.paper.sheet import pose_picture

__all__ = ["PATTERNS", "front_drawing", "front_to_size", "pattern_drawing", "patterns_of", "sized_drawing"]

PATTERNS = ("arm", "link", "mount", "gauge")
_PICTURE_MM = (180.0, 120.0)


def front_drawing(pose: Pose, title: str) -> Drawing:
    """The front view fitted into a picture of 180 × 120 mm, with its words."""
    width, height = _PICTURE_MM
    shapes = tuple(moved(s, 5.0, 5.0) for s in pose_picture(pose, width - 10, height - 10))
    return Drawing(width, height, shapes, title)


def front_to_size(pose: Pose) -> tuple[Shape, ...]:
    """The front view 1:1 about the centreline's mark on the board, hole centres marked: for CAD."""
    return front_view(pose, holes=True)


def sized_drawing(pose: Pose, title: str) -> Drawing:
    """`front_to_size` on a sheet as large as it takes."""
    left, right, up = reach_mm(pose)
    shapes = tuple(moved(s, left + 10.0, 12.0) for s in front_to_size(pose))
    return Drawing(left + right + 20.0, up + 18.0, shapes, title)


def patterns_of(source: MachineFile) -> Mapping[str, tuple[Pattern, ...]]:
    """Patterns by name, in the order of `PATTERNS`."""
    made = (arm_pattern(source), link_pattern(source), mount_pattern(source), (gauge_pattern(source),))
    return dict(zip(PATTERNS, made, strict=True))


def pattern_drawing(patterns: tuple[Pattern, ...], title: str) -> Drawing:
    """Patterns under one another on a sheet as large as they take."""
    edge = 6.0
    width = max(p.width_mm for p in patterns) + 2 * edge
    height = sum(p.height_mm + edge for p in patterns) + edge
    shapes: list[Shape] = []
    top = height - edge
    for pattern in patterns:
        shapes += [moved(s, edge, top - pattern.height_mm) for s in pattern.shapes]
        top -= pattern.height_mm + edge
    return Drawing(width, height, tuple(shapes), title)
