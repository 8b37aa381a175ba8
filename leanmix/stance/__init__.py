"""How the machine leans, what its runners carry, and when it tips."""

from leanmix.stance.answers import Answer, plain_answers
from leanmix.stance.balance import balance, balance_push, lean_of_throw, mount_pushes_mm
from leanmix.stance.gain import Gain, gain_of_leaning
from leanmix.stance.parked import ParkedLean, parked_lean
from leanmix.stance.pose import Reason, Stance
from leanmix.stance.setup import Setup, stance_setup
from leanmix.stance.states import stance_states
from leanmix.stance.support import (
    TURNS,
    Turn,
    reach_of_support_mm,
    rigid_tip_g,
    slide_g,
    speed_m_per_s,
    support_polygon_mm,
)
from leanmix.stance.tipping import TIP_MOST_G, TipLimits, tip_limits
from leanmix.stance.weighing import Weighing, cg_along_across, cg_up_from_raised_rear, cg_up_from_tilt
from leanmix.stance.worth import Possible, Worth, as_builds, possible_changes, what_buys_most

__all__ = [
    "TIP_MOST_G",
    "TURNS",
    "Answer",
    "Gain",
    "ParkedLean",
    "Possible",
    "Reason",
    "Setup",
    "Stance",
    "TipLimits",
    "Turn",
    "Weighing",
    "Worth",
    "as_builds",
    "balance",
    "balance_push",
    "cg_along_across",
    "cg_up_from_raised_rear",
    "cg_up_from_tilt",
    "gain_of_leaning",
    "lean_of_throw",
    "mount_pushes_mm",
    "parked_lean",
    "plain_answers",
    "possible_changes",
    "reach_of_support_mm",
    "rigid_tip_g",
    "slide_g",
    "speed_m_per_s",
    "stance_setup",
    "stance_states",
    "support_polygon_mm",
    "tip_limits",
    "what_buys_most",
]
