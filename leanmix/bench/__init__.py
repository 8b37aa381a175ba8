"""The bench: the model held against what is read off the machine, and against drive logs."""

from leanmix.bench.fit import BenchFit, Fitted, Oddity, fit_bench
from leanmix.bench.logged import job_prediction

__all__ = ["BenchFit", "Fitted", "Oddity", "fit_bench", "job_prediction"]
