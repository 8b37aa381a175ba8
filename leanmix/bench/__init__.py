"""The bench: the model held against what is read off the machine, and against drive logs."""

from leanmix.bench.fit import BenchFit, Fitted, Oddity, fit_bench
from leanmix.bench.logged import job_prediction
from leanmix.bench.moves import CREEP_US, SAG_V, Moment, Moved, Mover, Watch
from leanmix.bench.walk import CAUTIONS, Ask, Builder, Plan, Walk, WalkReport, nearest_clearance

__all__ = [
    "CAUTIONS",
    "CREEP_US",
    "SAG_V",
    "Ask",
    "BenchFit",
    "Builder",
    "Fitted",
    "Moment",
    "Moved",
    "Mover",
    "Oddity",
    "Plan",
    "Walk",
    "WalkReport",
    "Watch",
    "fit_bench",
    "job_prediction",
    "nearest_clearance",
]
