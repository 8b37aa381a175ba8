"""The bench: the model held against what is read off the machine."""

from leanmix.bench.fit import BenchFit, Fitted, Oddity, fit_bench

__all__ = ["BenchFit", "Fitted", "Oddity", "fit_bench"]
