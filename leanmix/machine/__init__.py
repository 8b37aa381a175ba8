"""The machine file: what was measured, how sure it is, and where it came from."""

from leanmix.machine.file import DEMOS, MachineFile, demo, load, parse, save_text, set_value
from leanmix.machine.numbers import Number, Numbers, draw_builds, each_number, spec_for, values
from leanmix.machine.quantity import SOURCES, Measured, Point, PointSpec, Spec
from leanmix.machine.rules import remarks
from leanmix.machine.schema import SCHEMA, Machine, Part, Side
from leanmix.machine.template import template

__all__ = [
    "DEMOS",
    "SCHEMA",
    "SOURCES",
    "Machine",
    "MachineFile",
    "Measured",
    "Number",
    "Numbers",
    "Part",
    "Point",
    "PointSpec",
    "Side",
    "Spec",
    "demo",
    "draw_builds",
    "each_number",
    "load",
    "parse",
    "remarks",
    "save_text",
    "set_value",
    "spec_for",
    "template",
    "values",
]
