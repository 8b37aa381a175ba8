"""The machine file: what was measured, how sure it is, and where it came from."""

from leanmix.machine.body import Surface
from leanmix.machine.bounds import plain_file, printable, read_file, toml_content
from leanmix.machine.fasteners import (
    CAP_SCREWS,
    CapScrew,
    RodFit,
    ScrewFit,
    SlideFit,
    fastener_errors,
    fastener_remarks,
    general_tolerance_mm,
    length_tolerance_mm,
    plastic_hole_mm,
    rod_fit,
    screw_fit,
    slide_fit,
)
from leanmix.machine.file import DEMOS, MachineFile, demo, drop_value, load, parse, save_text, set_value
from leanmix.machine.numbers import Number, Numbers, draw_builds, each_number, spec_for, spoken_key, values
from leanmix.machine.quantity import SOURCES, Measured, Point, PointSpec, Spec
from leanmix.machine.rules import mostly_guessed, remarks
from leanmix.machine.schema import SCHEMA, Machine
from leanmix.machine.shapes import Part, Screw
from leanmix.machine.side import Side
from leanmix.machine.template import template

__all__ = [
    "CAP_SCREWS",
    "DEMOS",
    "SCHEMA",
    "SOURCES",
    "CapScrew",
    "Machine",
    "MachineFile",
    "Measured",
    "Number",
    "Numbers",
    "Part",
    "Point",
    "PointSpec",
    "RodFit",
    "Screw",
    "ScrewFit",
    "Side",
    "SlideFit",
    "Spec",
    "Surface",
    "demo",
    "draw_builds",
    "drop_value",
    "each_number",
    "fastener_errors",
    "fastener_remarks",
    "general_tolerance_mm",
    "length_tolerance_mm",
    "load",
    "mostly_guessed",
    "parse",
    "plain_file",
    "plastic_hole_mm",
    "printable",
    "read_file",
    "remarks",
    "rod_fit",
    "save_text",
    "screw_fit",
    "set_value",
    "slide_fit",
    "spec_for",
    "spoken_key",
    "template",
    "toml_content",
    "values",
]
