"""How the machine leans, what its runners carry, and when it tips."""

from leanmix.stance.balance import balance, balance_push, lean_of_throw, mount_pushes_mm
from leanmix.stance.pose import Reason, Stance
from leanmix.stance.setup import Setup, stance_setup
from leanmix.stance.states import stance_states
from leanmix.stance.tipping import TURNS, TipLimits, rigid_tip_g, slide_g, speed_m_per_s, support_polygon_mm, tip_limits

__all__ = [
    "TURNS",
    "Reason",
    "Setup",
    "Stance",
    "TipLimits",
    "balance",
    "balance_push",
    "lean_of_throw",
    "mount_pushes_mm",
    "rigid_tip_g",
    "slide_g",
    "speed_m_per_s",
    "stance_setup",
    "stance_states",
    "support_polygon_mm",
    "tip_limits",
]
