"""What the machine is without its lean: runners, chassis and rear, and what it drives on."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from leanmix.machine.quantity import Measured, Spec
from leanmix.machine.table import Name, Table

__all__ = ["Chassis", "Rear", "Runner", "Surface"]


class Runner(Table):
    """What the machine stands on in front."""

    kind: Annotated[Literal["ski", "wheel"], Field(description="ski or wheel")]
    toe_out_mm: Annotated[
        Measured,
        Spec(
            "mm",
            -40,
            40,
            "Distance between the tips in front less the distance behind, wheels or skis straight ahead; negative is toe-in.",
            (-8, 12),
        ),
    ] = Measured(0.0)
    length_mm: Annotated[
        Measured,
        Spec(
            "mm",
            1,
            1000,
            "Ski: length that touches the board. Wheel: diameter. Toe is measured over this length.",
            (20, 400),
        ),
    ]
    radius_mm: Annotated[
        Measured, Spec("mm", 0, 300, "Wheel: radius of the tyre standing on the board. Ski: 0.", (0, 120))
    ] = Measured(0.0)
    steer_left_deg: Annotated[
        Measured,
        Spec(
            "deg", 1, 80, "Mean angle of the two runners at full left lock; protractor against the centreline.", (8, 50)
        ),
    ]
    steer_right_deg: Annotated[
        Measured, Spec("deg", 1, 80, "Mean angle of the two runners at full right lock.", (8, 50))
    ]
    ackermann: Annotated[
        Measured,
        Spec("", -1, 2, "How far the inner runner turns more: 0 both alike, 1 both aim at one centre.", (-0.3, 1.2)),
    ] = Measured(0.0)


class Chassis(Table):
    """Weight and where it is."""

    mass_g: Annotated[
        Measured, Spec("g", 50, 60000, "Whole machine as driven, battery in: kitchen scales.", (300, 15000))
    ]
    cg_up_mm: Annotated[
        Measured, Spec("mm", 1, 1500, "Height of the balance point over the board: see the weigh command.", (20, 250))
    ]
    cg_behind_mm: Annotated[
        Measured,
        Spec(
            "mm",
            -500,
            2000,
            "Balance point behind the runners' contacts: weigh front and rear, see the weigh command.",
            (20, 500),
        ),
    ]
    cg_left_mm: Annotated[
        Measured, Spec("mm", -500, 500, "Balance point left of the centreline: weigh left and right.", (-30, 30))
    ] = Measured(0.0)
    roof_up_mm: Annotated[Measured, Spec("mm", 1, 2000, "Highest solid part over the board.", (50, 500))]
    roll_inertia_kg_mm2: Annotated[
        Measured | None,
        Spec("kg mm²", 1, 1e8, "Leave out unless you know it: without it a box of the machine's size is used."),
    ] = None
    yaw_inertia_kg_mm2: Annotated[Measured | None, Spec("kg mm²", 1, 1e8, "Leave out unless you know it.")] = None


class Rear(Table):
    """The track or wheel behind, and how it holds the chassis upright."""

    kind: Annotated[Literal["track", "wheel"], Field(description="track or wheel")]
    contact_front_behind_mm: Annotated[
        Measured,
        Spec(
            "mm",
            0,
            2000,
            "Where the track begins to touch the board, behind the runners' contacts. Wheel: same as the rear value.",
            (50, 700),
        ),
    ]
    contact_rear_behind_mm: Annotated[
        Measured,
        Spec("mm", 1, 2500, "Where the track ceases to touch the board, behind the runners' contacts.", (60, 900)),
    ]
    load_behind_mm: Annotated[
        Measured,
        Spec(
            "mm",
            1,
            2500,
            "Where the rear's weight rests, behind the runners' contacts. Slack limiter strap: near the front of the "
            "track's contact; tight: near its rear. From front and rear weights, see the weigh command.",
            (60, 900),
        ),
    ]
    strap_shift: Annotated[
        Measured,
        Spec(
            "mm/mm",
            0,
            100,
            "How far that point moves back for each mm of limiter strap taken up. 0 where there is no strap.",
            (0, 20),
        ),
    ] = Measured(0.0)
    half_width_mm: Annotated[
        Measured, Spec("mm", 0.5, 600, "Half the width of the track (or of the tyre's flat) on the board.", (4, 150))
    ]
    pivot_up_mm: Annotated[
        Measured,
        Spec(
            "mm",
            0,
            1000,
            "Height over the board of the point about which the chassis rolls against the rear.",
            (0, 120),
        ),
    ]
    roll_stiffness_N_m_per_rad: Annotated[
        Measured,
        Spec(
            "N m/rad",
            0,
            1000,
            "How hard the rear resists lean: 0 for a free pivot. See the bench's lean readings.",
            (0, 60),
        ),
    ]
    mass_g: Annotated[
        Measured,
        Spec("g", 0, 40000, "Weight of the rear suspension and track that does not lean with the chassis.", (0, 4000)),
    ] = Measured(0.0)
    mass_up_mm: Annotated[
        Measured, Spec("mm", 0, 500, "Height of that weight's own balance point over the board.", (0, 150))
    ] = Measured(0.0)


class Surface(Table):
    """Ground to drive on."""

    name: Name
    grip: Annotated[
        Measured,
        Spec(
            "",
            0.02,
            3,
            "Sideways grip over load, as a range: at ± tol. An estimate unless you pulled it with a scale.",
            (0.05, 1.3),
        ),
    ]
