"""The mechanism in the front view: servo arm, link, sliding mount, shock, suspension arms, runner.

Functions over arrays. Throw is positive leaning LEFT, as steer is; lean in degrees likewise, so lean is the
negative of roll about +x (ISO 8855). Each side works in its own (out, up) frame, in mm and radians.
"""

from leanmix.linkage.geometry import SIDES, SideGeometry, SideName, side_geometry
from leanmix.linkage.guide import GuideForces, guide_forces, link_force_bound_N, push_share
from leanmix.linkage.mount import (
    MountPose,
    arm_tip,
    link_across_mm,
    mount_pose,
    mount_push_mm,
    tip_up_for_push,
    tip_up_rad,
)
from leanmix.linkage.planar import (
    Array,
    Spot,
    Value,
    circle_meets_circle,
    circle_meets_line,
    fourbar,
    slider_crank,
    turned,
)
from leanmix.linkage.pulses import ServoCalibration, pulse_us, servo_calibrations, throw_at_pulse_rad
from leanmix.linkage.servo import ServoLine, ServoLoad, Tooth, nearest_tooth, servo_line, servo_load
from leanmix.linkage.spring import GRAVITY_M_PER_S2, runner_loads_at_rest_N, spring_force_N, spring_preload_N
from leanmix.linkage.suspension import (
    ShockState,
    SuspensionPose,
    SuspensionRates,
    SuspensionSweep,
    shock_between,
    shock_length,
    shock_line,
    suspension_pose,
    suspension_rates,
    suspension_sweep,
)

__all__ = [
    "GRAVITY_M_PER_S2",
    "SIDES",
    "Array",
    "GuideForces",
    "MountPose",
    "ServoCalibration",
    "ServoLine",
    "ServoLoad",
    "ShockState",
    "SideGeometry",
    "SideName",
    "Spot",
    "SuspensionPose",
    "SuspensionRates",
    "SuspensionSweep",
    "Tooth",
    "Value",
    "arm_tip",
    "circle_meets_circle",
    "circle_meets_line",
    "fourbar",
    "guide_forces",
    "link_across_mm",
    "link_force_bound_N",
    "mount_pose",
    "mount_push_mm",
    "nearest_tooth",
    "pulse_us",
    "push_share",
    "runner_loads_at_rest_N",
    "servo_calibrations",
    "servo_line",
    "servo_load",
    "shock_between",
    "shock_length",
    "shock_line",
    "side_geometry",
    "slider_crank",
    "spring_force_N",
    "spring_preload_N",
    "suspension_pose",
    "suspension_rates",
    "suspension_sweep",
    "throw_at_pulse_rad",
    "tip_up_for_push",
    "tip_up_rad",
    "turned",
]
