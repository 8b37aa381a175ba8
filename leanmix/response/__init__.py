"""The mechanism and the machine in time: the C mixer, servos under load, springs, grip; manoeuvres, maps, suggestions."""

from leanmix.response.cases import (
    Contender,
    GripRange,
    Picks,
    contender,
    drive_picks,
    grip_range,
    make_runs,
    phases_ms,
    picks_of,
)
from leanmix.response.engine import CHANNELS, Outcome, Runs, Traces, drive
from leanmix.response.fastest import Fastest, fastest_pass
from leanmix.response.figures import Follow, StepFigures, follow, loop_width, step_figures
from leanmix.response.manoeuvre import MANOEUVRES, REPORTS, Manoeuvre, changed, load_manoeuvre, parse_manoeuvre
from leanmix.response.mapfile import map_csv, read_map
from leanmix.response.maps import Axis, Cell, MapPlan, map_key, parse_axis, run_map
from leanmix.response.report import DriveReport, GripEnd, Row, report_drive, trace_rows
from leanmix.response.suggest import Candidate, Suggestion, suggest_curve
from leanmix.response.variants import Base, base_of, variant
from leanmix.response.vehicle import Vehicle, make_vehicle
from leanmix.response.watch import End, EndKind

__all__ = [
    "CHANNELS",
    "MANOEUVRES",
    "REPORTS",
    "Axis",
    "Base",
    "Candidate",
    "Cell",
    "Contender",
    "DriveReport",
    "End",
    "EndKind",
    "Fastest",
    "Follow",
    "GripEnd",
    "GripRange",
    "Manoeuvre",
    "MapPlan",
    "Outcome",
    "Picks",
    "Row",
    "Runs",
    "StepFigures",
    "Suggestion",
    "Traces",
    "Vehicle",
    "base_of",
    "changed",
    "contender",
    "drive",
    "drive_picks",
    "fastest_pass",
    "follow",
    "grip_range",
    "load_manoeuvre",
    "loop_width",
    "make_runs",
    "make_vehicle",
    "map_csv",
    "map_key",
    "parse_axis",
    "parse_manoeuvre",
    "phases_ms",
    "picks_of",
    "read_map",
    "report_drive",
    "run_map",
    "step_figures",
    "suggest_curve",
    "trace_rows",
    "variant",
]
