"""Measuring: distances, heights, photo and drawing points into coordinates with their covariance."""

from leanmix.survey.file import (
    ReadingsFile,
    blank_readings,
    load_readings,
    parse_line,
    parse_readings,
    readings_path,
)
from leanmix.survey.following import next_readings, sensitivities, surveyed_keys
from leanmix.survey.lines import add_line, add_lines, drop_line, put_diameter, put_line, typed_line
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
from leanmix.survey.record import Change, Recorded, changes, record
from leanmix.survey.sketch import points_drawing, points_text
from leanmix.survey.solution import Advice, Checked, Found, PlacedPoint, Solution
from leanmix.survey.solve import solve
from leanmix.survey.synthetic import MADE_UP, made_up_machine, made_up_readings
from leanmix.survey.words import Open

__all__ = [
    "FRONT_PLACES",
    "KINDS",
    "MADE_UP",
    "PLACES",
    "SIDE_PLACES",
    "Advice",
    "Change",
    "Checked",
    "Found",
    "Kind",
    "Mark",
    "Open",
    "Place",
    "PlacedPoint",
    "PointName",
    "Reading",
    "ReadingsFile",
    "Recorded",
    "Sheet",
    "Solution",
    "Survey",
    "UnknownPoint",
    "add_line",
    "add_lines",
    "blank_readings",
    "changes",
    "describe",
    "drop_line",
    "find_point",
    "load_readings",
    "made_up_machine",
    "made_up_readings",
    "next_readings",
    "parse_line",
    "parse_readings",
    "places_of",
    "points_drawing",
    "points_text",
    "put_diameter",
    "put_line",
    "readings_path",
    "record",
    "sensitivities",
    "solve",
    "surveyed_keys",
    "typed_line",
]
