"""How the machine leans, what its runners carry, and when it tips."""

from leanmix.stance.balance import balance, balance_push, lean_of_throw, mount_pushes_mm
from leanmix.stance.pose import Reason, Stance
from leanmix.stance.setup import Setup, stance_setup
from leanmix.stance.states import stance_states

__all__ = [
    "Reason",
    "Setup",
    "Stance",
    "balance",
    "balance_push",
    "lean_of_throw",
    "mount_pushes_mm",
    "stance_setup",
    "stance_states",
]
