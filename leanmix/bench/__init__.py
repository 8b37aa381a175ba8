"""The bench: the model held against what is read off the machine, and against drive logs."""

from leanmix.bench.asking import CAUTIONS, Ask, Builder, Plan, WalkReport
from leanmix.bench.fit import BenchFit, Fitted, Oddity, fit_bench
from leanmix.bench.leaning import LeanFit, fit_lean
from leanmix.bench.logged import job_prediction, predicted_limits
from leanmix.bench.moves import CREEP_US, SAG_V, Moment, Moved, Mover, Watch
from leanmix.bench.picture import fit_drawing
from leanmix.bench.stopped import StopCheck, compare_stops
from leanmix.bench.take import Change, changes_of_fit, changes_of_stops, taken_in
from leanmix.bench.walk import Walk, nearest_clearance

__all__ = [
    "CAUTIONS",
    "CREEP_US",
    "SAG_V",
    "Ask",
    "BenchFit",
    "Builder",
    "Change",
    "Fitted",
    "LeanFit",
    "Moment",
    "Moved",
    "Mover",
    "Oddity",
    "Plan",
    "StopCheck",
    "Walk",
    "WalkReport",
    "Watch",
    "changes_of_fit",
    "changes_of_stops",
    "compare_stops",
    "fit_bench",
    "fit_drawing",
    "fit_lean",
    "job_prediction",
    "nearest_clearance",
    "predicted_limits",
    "taken_in",
]
