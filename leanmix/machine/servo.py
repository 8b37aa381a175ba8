"""Steering signal, board and servo, from the receiver to the arm."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from leanmix.machine.quantity import Measured, Spec
from leanmix.machine.table import Table

__all__ = ["Board", "Servo", "ServoRight", "Steering"]


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


class Steering(Table):
    """What the receiver sends."""

    pulse_left_us: Annotated[Measured, Spec("µs", 500, 2500, "Pulse at full left on the transmitter.", (700, 2300))]
    pulse_neutral_us: Annotated[Measured, Spec("µs", 500, 2500, "Pulse with the wheel let go.", (1300, 1700))]
    pulse_right_us: Annotated[Measured, Spec("µs", 500, 2500, "Pulse at full right on the transmitter.", (700, 2300))]
    speed_deg_per_s: Annotated[
        Measured, Spec("deg/s", 1, 5000, "How fast the steering servo turns the runners.", (60, 1000))
    ] = Measured(300.0)
    frame_ms: Annotated[Measured, Spec("ms", 2, 40, "Time between the receiver's pulses.", (3, 22))] = Measured(20.0)


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
