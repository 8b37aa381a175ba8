"""Drive logs: read in a stream whatever their layout, their time mended, held against the prediction."""

from leanmix.bench.drivelog.columns import (
    PLAIN,
    QUANTITIES,
    Column,
    ColumnMap,
    load_map,
    map_path,
    maps,
    save_map,
    units_of,
)
from leanmix.bench.drivelog.overlay import Overlay, Prediction, lay_over, level_g
from leanmix.bench.drivelog.plain import PLAIN_HEAD, plain_lines
from leanmix.bench.drivelog.predict import ThrowOfSteer, steady_lean
from leanmix.bench.drivelog.read import Block, LogFile, Tally, open_log
from leanmix.bench.drivelog.shape import Shape, find_shape
from leanmix.bench.drivelog.times import Repairs, Stretch, repaired
from leanmix.bench.drivelog.tips import LimitVerdict, Tip, TipBounds, find_tips, judge_limits

__all__ = [
    "PLAIN",
    "PLAIN_HEAD",
    "QUANTITIES",
    "Block",
    "Column",
    "ColumnMap",
    "LimitVerdict",
    "LogFile",
    "Overlay",
    "Prediction",
    "Repairs",
    "Shape",
    "Stretch",
    "Tally",
    "ThrowOfSteer",
    "Tip",
    "TipBounds",
    "find_shape",
    "find_tips",
    "judge_limits",
    "lay_over",
    "level_g",
    "load_map",
    "map_path",
    "maps",
    "open_log",
    "plain_lines",
    "repaired",
    "save_map",
    "steady_lean",
    "units_of",
]
