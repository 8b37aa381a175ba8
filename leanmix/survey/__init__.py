"""Measuring: distances, heights, photo and drawing points into coordinates with their covariance."""

from leanmix.survey.following import next_readings, sensitivities
from leanmix.survey.places import (
    FRONT_PLACES,
    PLACES,
    SIDE_PLACES,
    Place,
    PointName,
    UnknownPoint,
    find_point,
    places_of,
)
from leanmix.survey.readings import KINDS, Kind, Mark, Reading, Sheet, Survey, describe
from leanmix.survey.solution import Advice, Checked, Found, PlacedPoint, Solution
from leanmix.survey.solve import solve
from leanmix.survey.synthetic import made_up_machine, made_up_readings
from leanmix.survey.words import Open

__all__ = [
    "FRONT_PLACES",
    "KINDS",
    "PLACES",
    "SIDE_PLACES",
    "Advice",
    "Checked",
    "Found",
    "Kind",
    "Mark",
    "Open",
    "Place",
    "PlacedPoint",
    "PointName",
    "Reading",
    "Sheet",
    "Solution",
    "Survey",
    "UnknownPoint",
    "describe",
    "find_point",
    "made_up_machine",
    "made_up_readings",
    "next_readings",
    "places_of",
    "sensitivities",
    "solve",
]
