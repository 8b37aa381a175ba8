"""The machine file, version 1: every key, its unit, its range, and how to measure it.

Frame: x forward, y left, z up (ISO 8855); lengths in mm. Points of the front view are given as
``out_mm`` (from the centreline towards their own side) and ``up_mm`` (over the board), all measured with
the machine standing on a flat board, arm centred, at its neutral ride height. ``[side]`` holds what is
alike left and right; ``[left]`` and ``[right]`` hold only what differs.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from leanmix.machine.quantity import Measured, Point, PointSpec, Spec

__all__ = [
    "SCHEMA",
    "Arm",
    "Board",
    "Chassis",
    "Clearance",
    "Guide",
    "Lean",
    "Limits",
    "Link",
    "Machine",
    "Mount",
    "Part",
    "Rear",
    "Runner",
    "Screw",
    "Servo",
    "Shock",
    "Side",
    "Steering",
    "Surface",
    "Suspension",
]

SCHEMA = 1

Name = Annotated[str, StringConstraints(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]*$")]


class Table(BaseModel):
    """A table of the machine file: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


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


class Servo(Table):
    """The lean servo (or both of them): what moves it and what it can give."""

    arrangement: Annotated[
        Literal["double_arm", "one_each_side"],
        Field(
            description="double_arm: one servo, an arm with two ends. one_each_side: a servo and a single arm a side."
        ),
    ]
    spline_teeth: Annotated[int, Field(ge=1, le=200, description="Teeth on the output spline; 25 is common.")] = 25
    pulse_neutral_us: Annotated[Measured, Spec("µs", 500, 2500, "Pulse at which the arm stands centred.", (1300, 1700))]
    pulse_per_deg_us: Annotated[
        Measured,
        Spec(
            "µs/deg", 1, 60, "µs for one degree of the arm: read two angles off a protractor, see the bench.", (5, 16)
        ),
    ]
    pulse_min_us: Annotated[Measured, Spec("µs", 500, 2500, "Shortest pulse the servo's maker allows.", (500, 1200))]
    pulse_max_us: Annotated[Measured, Spec("µs", 500, 2500, "Longest pulse the servo's maker allows.", (1800, 2500))]
    longer_pulse_leans: Annotated[
        Literal["left", "right"], Field(description="Which way the machine leans when the pulse gets longer.")
    ]
    travel_deg: Annotated[
        Measured,
        Spec("deg", 1, 180, "How far the arm can turn each way from neutral before the servo's own end.", (30, 100)),
    ]
    rated_voltage_V: Annotated[
        Measured, Spec("V", 1, 60, "Voltage for which the maker gives torque and speed.", (3, 9))
    ]
    stall_torque_N_mm: Annotated[
        Measured, Spec("N mm", 1, 100000, "Maker's stall torque at that voltage; 1 kg cm is 98.07 N mm.", (100, 6000))
    ]
    free_speed_deg_per_s: Annotated[
        Measured, Spec("deg/s", 1, 5000, "Maker's speed at that voltage: 0.12 s for 60° is 500 deg/s.", (150, 1200))
    ]
    stall_current_A: Annotated[
        Measured | None, Spec("A", 0.01, 200, "Maker's current at stall, if given.", (0.3, 12))
    ] = None
    idle_current_A: Annotated[Measured | None, Spec("A", 0, 50, "Current standing still, if given.", (0, 0.6))] = None
    supply_voltage_V: Annotated[Measured, Spec("V", 1, 60, "Voltage at the servo's plug under load, warm.", (3, 9))]
    cold_sag_V: Annotated[
        Measured, Spec("V", 0, 30, "How far that voltage drops with a cold battery under load.", (0, 2))
    ] = Measured(0.0)
    deadband_us: Annotated[Measured, Spec("µs", 0, 50, "Smallest change of pulse the servo answers.", (0, 10))] = (
        Measured(2.0)
    )
    backlash_deg: Annotated[Measured, Spec("deg", 0, 20, "Free play at the arm, total, servo powered.", (0, 3))] = (
        Measured(0.0)
    )
    frame_ms: Annotated[Measured, Spec("ms", 2, 40, "Time between pulses to the servo.", (3, 22))] = Measured(20.0)


class ServoRight(Table):
    """What differs on the right servo; only with one_each_side."""

    pulse_neutral_us: Annotated[Measured | None, Spec("µs", 500, 2500, "As in [servo], right.", (1300, 1700))] = None
    pulse_per_deg_us: Annotated[Measured | None, Spec("µs/deg", 1, 60, "As in [servo], right.", (5, 16))] = None
    longer_pulse_leans: Annotated[Literal["left", "right"] | None, Field(description="As in [servo], right.")] = None


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


class Part(Table):
    """A shape that something might hit, measured in place at neutral."""

    name: Name
    on: Annotated[
        Literal["chassis", "arm", "link", "mount", "lower_arm", "upper_arm", "upright"],
        Field(description="What it moves with."),
    ]
    side: Annotated[
        Literal["both", "left", "right", "centre"],
        Field(description="both: one each side, mirrored. centre: one, fixed to the chassis, out_mm to the left."),
    ] = "both"
    points: Annotated[
        tuple[Annotated[Point, PointSpec("A corner or end.")], ...],
        Field(
            min_length=1,
            max_length=64,
            description="One point: a circle. Two: a rounded bar. More: a rounded polygon, corners in order.",
        ),
    ]
    radius_mm: Annotated[
        Measured, Spec("mm", 0, 300, "Rounding about the points: screw head, bar or edge radius.", (0, 40))
    ] = Measured(0.0)


class Clearance(Table):
    """Two parts that must not meet."""

    between: Annotated[tuple[Name, Name], Field(description="Names of the two parts.")]
    across: Annotated[bool, Field(description="true: also check left part against right part.")] = False
    margin_mm: Annotated[
        Measured | None, Spec("mm", 0, 20, "Distance that counts as touching; without it, limits.margin_mm.", (0, 3))
    ] = None


class Steering(Table):
    """What the receiver sends."""

    pulse_left_us: Annotated[Measured, Spec("µs", 500, 2500, "Pulse at full left on the transmitter.", (700, 2300))]
    pulse_neutral_us: Annotated[Measured, Spec("µs", 500, 2500, "Pulse with the wheel let go.", (1300, 1700))]
    pulse_right_us: Annotated[Measured, Spec("µs", 500, 2500, "Pulse at full right on the transmitter.", (700, 2300))]
    speed_deg_per_s: Annotated[
        Measured, Spec("deg/s", 1, 5000, "How fast the steering servo turns the runners.", (60, 1000))
    ] = Measured(300.0)
    frame_ms: Annotated[Measured, Spec("ms", 2, 40, "Time between the receiver's pulses.", (3, 22))] = Measured(20.0)


class Lean(Table):
    """How much lean for how much steer."""

    ask: Annotated[
        Literal["lean", "arm"], Field(description="lean: degrees of machine lean. arm: degrees of servo arm.")
    ] = "lean"
    left_deg: Annotated[Measured | None, Spec("deg", 0, 90, "Wanted at full left lock.", (1, 45))] = None
    right_deg: Annotated[Measured | None, Spec("deg", 0, 90, "Wanted at full right lock.", (1, 45))] = None
    left_ratio: Annotated[
        Measured | None,
        Spec("deg/deg", 0, 10, "Degrees wanted for each degree the runners turn left; instead of left_deg.", (0.05, 2)),
    ] = None
    right_ratio: Annotated[
        Measured | None,
        Spec(
            "deg/deg", 0, 10, "Degrees wanted for each degree the runners turn right; instead of right_deg.", (0.05, 2)
        ),
    ] = None
    shape: Annotated[
        Measured, Spec("", -1, 1, "0 straight; towards 1 gentle about the middle; towards −1 strong about the middle.")
    ] = Measured(0.0)
    deadband: Annotated[
        Measured, Spec("", 0, 0.5, "Share of the steering about the middle that asks for no lean.", (0, 0.15))
    ] = Measured(0.0)
    knots: Annotated[
        tuple[tuple[float, float], ...],
        Field(
            max_length=33,
            description="Own curve as [steer, degrees] pairs, steer from −1 (right) to 1 (left); instead of shape and full-lock values.",
        ),
    ] = ()


class Limits(Table):
    """Margins and what counts as too much."""

    margin_mm: Annotated[Measured, Spec("mm", 0, 20, "Distance between two parts that counts as touching.", (0, 3))] = (
        Measured(0.3)
    )
    cap_margin_deg: Annotated[
        Measured, Spec("deg", 0, 45, "How far short of the first block the arm is held.", (0.3, 6))
    ] = Measured(1.0)
    knee_deg: Annotated[
        Measured, Spec("deg", 0, 45, "Over how much arm angle the curve rounds off below a cap.", (0.5, 12))
    ] = Measured(4.0)
    cap_left_deg: Annotated[
        Measured | None, Spec("deg", 0, 180, "Own cap on the arm leaning left; may only be earlier.", (2, 90))
    ] = None
    cap_right_deg: Annotated[
        Measured | None, Spec("deg", 0, 180, "Own cap on the arm leaning right; may only be earlier.", (2, 90))
    ] = None
    share_clear: Annotated[
        Measured,
        Spec(
            "",
            0.5,
            0.9999,
            "Share of builds, within the tolerances given, that must stay clear of every block.",
            (0.9, 0.999),
        ),
    ] = Measured(0.95)
    torque_share: Annotated[
        Measured, Spec("", 0.05, 1, "Share of stall torque that may be used before it counts as a stall.", (0.3, 0.9))
    ] = Measured(0.8)
    jam_margin: Annotated[
        Measured, Spec("", 0, 1, "Least share of the push that must come out along the guide.", (0, 0.5))
    ] = Measured(0.1)


class Board(Table):
    """How the mixer board behaves."""

    slew_us_per_frame: Annotated[
        Measured, Spec("µs", 0.125, 2000, "Largest change of the servo pulse from one frame to the next.", (2, 200))
    ] = Measured(60.0)
    failsafe_frames: Annotated[
        int, Field(ge=2, le=250, description="Bad or missing steering frames before the servo goes to neutral.")
    ] = 10
    ramp_frames: Annotated[
        int, Field(ge=1, le=250, description="Frames over which lean grows from none to full after power-up.")
    ] = 50
    input_min_us: Annotated[
        Measured, Spec("µs", 500, 2500, "Shorter steering pulses are taken for noise.", (500, 1000))
    ] = Measured(700.0)
    input_max_us: Annotated[
        Measured, Spec("µs", 500, 2500, "Longer steering pulses are taken for noise.", (1900, 2700))
    ] = Measured(2300.0)
    amount_input: Annotated[
        bool, Field(description="true: a second receiver channel turns the amount of lean up and down while driving.")
    ] = False


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


class Screw(Table):
    """A screw and the stack it goes through."""

    name: Name
    thread: Annotated[Literal["M2", "M2.5", "M3", "M4", "M5"], Field(description="ISO metric thread.")]
    length_mm: Annotated[Measured, Spec("mm", 2, 100, "Length under the head.", (4, 40))]
    clamped_mm: Annotated[Measured, Spec("mm", 0, 200, "Thickness between head seat and the threaded part.", (0, 30))]
    threaded_mm: Annotated[Measured, Spec("mm", 0.5, 200, "Depth of thread or plastic it may use.", (2, 20))]
    into: Annotated[Literal["plastic", "metal", "nut"], Field(description="What it screws into.")] = "plastic"
    beyond: Annotated[
        Literal["open", "slide", "closed"],
        Field(description="What lies behind the thread: open air, a slide it must not reach, or solid."),
    ] = "open"


class Machine(Table):
    """A whole machine: what the file says, both sides written out."""

    schema_version: Annotated[Literal[1], Field(alias="schema", description="Version of this file's layout.")]
    name: Annotated[Name, Field(description="What you call the machine.")]
    about: Annotated[str, StringConstraints(max_length=2000), Field(description="Free text.")] = ""
    runner: Runner
    chassis: Chassis
    rear: Rear
    servo: Servo
    servo_right: ServoRight = ServoRight()
    left: Side
    right: Side
    parts: Annotated[tuple[Part, ...], Field(alias="part", max_length=100)] = ()
    clearances: Annotated[tuple[Clearance, ...], Field(alias="clearance", max_length=200)] = ()
    steering: Steering
    lean: Lean
    limits: Limits = Limits()
    board: Board = Board()
    surfaces: Annotated[tuple[Surface, ...], Field(alias="surface", max_length=30)] = ()
    screws: Annotated[tuple[Screw, ...], Field(alias="screw", max_length=60)] = ()
