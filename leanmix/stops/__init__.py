"""Everything that ends the throw: contacts, joint limits, travel ends, jam, stall; the ladder; many builds."""

from leanmix.stops.states import MakeStates, States, StateSolver, parked_balance
from leanmix.stops.touches import DroopTouch, droop_touches

__all__ = ["DroopTouch", "MakeStates", "StateSolver", "States", "droop_touches", "parked_balance"]
