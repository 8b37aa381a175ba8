"""Everything that ends the throw: contacts, joint limits, travel ends, jam, stall; the ladder; many builds."""

from leanmix.stops.arms import ArmChoices, ArmLimits, find_arms
from leanmix.stops.builds import Builds, Influence, Spread, WayOfBuilds, first_blocks_of, stops_of_builds
from leanmix.stops.ladder import WAYS, Ladder, find_stops
from leanmix.stops.loads import Loads
from leanmix.stops.neutral import Neutral, NeutralSide
from leanmix.stops.rung import Cap, ClearanceCurve, Stop
from leanmix.stops.search import Fineness, Kind
from leanmix.stops.states import MakeStates, States, StateSolver, parked_balance
from leanmix.stops.touches import DroopTouch, droop_touches

__all__ = [
    "WAYS",
    "ArmChoices",
    "ArmLimits",
    "Builds",
    "Cap",
    "ClearanceCurve",
    "DroopTouch",
    "Fineness",
    "Influence",
    "Kind",
    "Ladder",
    "Loads",
    "MakeStates",
    "Neutral",
    "NeutralSide",
    "Spread",
    "StateSolver",
    "States",
    "Stop",
    "WayOfBuilds",
    "droop_touches",
    "find_arms",
    "find_stops",
    "first_blocks_of",
    "parked_balance",
    "stops_of_builds",
]
