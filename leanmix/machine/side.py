"""One side of the lean mechanism: arm, link, guide, mount, shock and suspension arms."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from leanmix.machine.quantity import Measured, Point, PointSpec, Spec
from leanmix.machine.table import Table

__all__ = ["Arm", "Guide", "Link", "Mount", "Shock", "Side", "Suspension"]


class Arm(Table):
    """This side's half of the servo arm."""

    centre: Annotated[Point, PointSpec("Servo output axis in the front view.")]
    radius_mm: Annotated[
        Measured, Spec("mm", 1, 200, "Output axis to the arm's ball (double arm: half of ball to ball).", (6, 40))
    ]
    rest_deg: Annotated[
        Measured,
        Spec("deg", -80, 80, "Arm's ball above (+) or below (−) the level of the axis, arm centred.", (-30, 30)),
    ] = Measured(0.0)
    points: Annotated[
        Literal["out", "in"], Field(description="Whether the arm points away from the centreline or towards it.")
    ] = "out"
    offset_behind_mm: Annotated[
        Measured, Spec("mm", -200, 200, "How far the mount's ball lies behind the plane of the arm's ball.", (-20, 20))
    ] = Measured(0.0)


class Link(Table):
    """Ball link between arm and mount."""

    length_mm: Annotated[
        Measured | None,
        Spec(
            "mm",
            1,
            500,
            "Ball centre to ball centre. Leave out to have it worked out from the wanted height of the mount.",
            (10, 120),
        ),
    ] = None
    ball_swing_deg: Annotated[
        Measured, Spec("deg", 1, 90, "How far a ball joint may tilt to each side before it binds.", (15, 45))
    ] = Measured(25.0)
    rod_end_mm: Annotated[
        Measured, Spec("mm", 0, 100, "Ball centre to the end face of the ball cup that the rod screws into.", (4, 30))
    ] = Measured(9.0)
    thread_in_mm: Annotated[Measured, Spec("mm", 0, 60, "Length of rod screwed into each end.", (3, 15))] = Measured(
        6.0
    )
    rod_diameter_mm: Annotated[Measured, Spec("mm", 0.5, 20, "Rod diameter.", (1.5, 5))] = Measured(3.0)


class Guide(Table):
    """What the mount slides in."""

    cant_deg: Annotated[
        Measured,
        Spec(
            "deg",
            -80,
            80,
            "Tilt of the sliding direction from upright; + means the lower end lies further out.",
            (-5, 40),
        ),
    ] = Measured(0.0)
    bearing_centre: Annotated[
        Point, PointSpec("Middle of the length over which mount and guide touch, mount at its neutral height.")
    ]
    bearing_length_mm: Annotated[Measured, Spec("mm", 1, 300, "Length over which mount and guide touch.", (6, 80))]
    bearing_moves: Annotated[
        bool, Field(description="true: the touching length travels with the mount. false: it stays with the guide.")
    ] = True
    clearance_mm: Annotated[Measured, Spec("mm", 0, 5, "Play of the mount across the guide.", (0.05, 0.6))] = Measured(
        0.2
    )
    friction: Annotated[
        Measured,
        Spec(
            "",
            0,
            1.5,
            "Friction of mount on guide, as a range: at ± tol. Printed plastic dry is 0.2 to 0.7.",
            (0.05, 0.8),
        ),
    ]


class Mount(Table):
    """The sliding upper shock mount."""

    ball: Annotated[Point, PointSpec("Centre of the ball that the link holds, mount at its neutral height.")]
    eye: Annotated[Point, PointSpec("Centre of the shock's upper eye, at the height it had before the change.")]
    travel_down_mm: Annotated[
        Measured, Spec("mm", 0, 200, "How far the mount can go down from neutral to the guide's end.", (3, 40))
    ]
    travel_up_mm: Annotated[
        Measured, Spec("mm", 0, 200, "How far the mount can go up from neutral to the guide's end.", (3, 40))
    ]


class Shock(Table):
    """Shock and spring."""

    on: Annotated[
        Literal["lower_arm", "upper_arm"], Field(description="Which suspension arm carries the lower eye.")
    ] = "lower_arm"
    lower_eye: Annotated[Point, PointSpec("Centre of the shock's lower eye.")]
    rate_N_per_mm: Annotated[
        Measured,
        Spec(
            "N/mm",
            0.01,
            200,
            "Spring rate: weight on the spring over how far it gives; 1 lbf/in is 0.175 N/mm.",
            (0.1, 12),
        ),
    ]
    length_max_mm: Annotated[Measured, Spec("mm", 5, 800, "Eye to eye, shock pulled right out.", (30, 200))]
    length_min_mm: Annotated[Measured, Spec("mm", 3, 800, "Eye to eye, shock pushed right in.", (20, 180))]
    preload_N: Annotated[
        Measured | None,
        Spec(
            "N",
            0,
            2000,
            "Spring force with the shock pulled right out. Leave out to have it found so that the machine stands as measured.",
            (0, 60),
        ),
    ] = None
    damping_N_s_per_mm: Annotated[
        Measured, Spec("N s/mm", 0, 50, "Damping force per speed; a light oil is about 0.02.", (0, 1))
    ] = Measured(0.02)


class Suspension(Table):
    """Two arms, the upright between them, and the runner's contact."""

    lower_pivot: Annotated[Point, PointSpec("Lower arm's inner hinge pin.")]
    lower_ball: Annotated[Point, PointSpec("Lower arm's outer ball or pin.")]
    upper_pivot: Annotated[Point, PointSpec("Upper arm's inner hinge pin.")]
    upper_ball: Annotated[Point, PointSpec("Upper arm's outer ball or pin.")]
    contact: Annotated[Point, PointSpec("Where the runner touches the board (middle of the keel or of the tread).")]
    unsprung_g: Annotated[
        Measured, Spec("g", 0, 10000, "Weight of runner, upright and the outer half of the arms, this side.", (5, 800))
    ]


class Side(Table):
    """One side of the machine."""

    arm: Arm
    link: Link = Link()
    guide: Guide
    mount: Mount
    shock: Shock
    suspension: Suspension
