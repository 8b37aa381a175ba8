"""Steer to lean to arm to pulse: the ask, the caps, the exact mapping, the fitted table, and its proof."""

from leanmix.curve.ask import asked_deg, capped
from leanmix.curve.caps import Caps, ServoError, WayCap, WayLimit, find_caps, servo_errors, worst_throw_deg
from leanmix.curve.difference import TableDifference, compare_tables, table_lean_deg
from leanmix.curve.invert import LeanOfThrow, Rising, rising_part, throw_of_lean
from leanmix.curve.knots import fit_knots
from leanmix.curve.plan import (
    Plan,
    held_throw_deg,
    make_plan,
    plan_pulses_us,
    plan_throw_deg,
    steer_of_pulse,
    wanted_throw_deg,
)
from leanmix.curve.proof import ALL_INPUTS, Check, ProvedTable, prove, worst_case
from leanmix.curve.table import Fit, Table, every_input, make_table

__all__ = [
    "ALL_INPUTS",
    "Caps",
    "Check",
    "Fit",
    "LeanOfThrow",
    "Plan",
    "ProvedTable",
    "Rising",
    "ServoError",
    "Table",
    "TableDifference",
    "WayCap",
    "WayLimit",
    "asked_deg",
    "capped",
    "compare_tables",
    "every_input",
    "find_caps",
    "fit_knots",
    "held_throw_deg",
    "make_plan",
    "make_table",
    "plan_pulses_us",
    "plan_throw_deg",
    "prove",
    "rising_part",
    "servo_errors",
    "steer_of_pulse",
    "table_lean_deg",
    "throw_of_lean",
    "wanted_throw_deg",
    "worst_case",
    "worst_throw_deg",
]
