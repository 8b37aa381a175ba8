"""Everything that ends the throw: contacts, joint limits, travel ends, jam, stall; the ladder; many builds."""

from leanmix.stops.ladder import WAYS, Cap, ClearanceCurve, Ladder, Stop, find_stops
from leanmix.stops.loads import Loads
from leanmix.stops.neutral import Neutral, NeutralSide
from leanmix.stops.search import Fineness, Kind
from leanmix.stops.states import MakeStates, States, StateSolver, parked_balance
from leanmix.stops.touches import DroopTouch, droop_touches

__all__ = [
    "WAYS",
    "Cap",
    "ClearanceCurve",
    "DroopTouch",
    "Fineness",
    "Kind",
    "Ladder",
    "Loads",
    "MakeStates",
    "Neutral",
    "NeutralSide",
    "StateSolver",
    "States",
    "Stop",
    "droop_touches",
    "find_stops",
    "parked_balance",
]
