"""On paper and for other tools: build sheet, templates to size, exports, drawings for CAD, a build to share."""

from leanmix.paper.dxf import to_dxf
from leanmix.paper.everything import EVERYTHING_SCHEMA, everything, everything_json
from leanmix.paper.exports import CSV_COLUMNS, SLOT_ADDRESS, binary, eeprom_bytes, header, intel_hex, mapping_csv
from leanmix.paper.facts import Facts, TipRow, facts_of
from leanmix.paper.flow import A4, LETTER, PAPERS, Paper
from leanmix.paper.front_view import LAYERS, front_view, reach_mm
from leanmix.paper.parcel import build_files
from leanmix.paper.patterns import Hole, Pattern, arm_pattern, gauge_pattern, holes_of, link_pattern, mount_pattern
from leanmix.paper.pdf import to_pdf
from leanmix.paper.pictures import front_drawing, front_to_size, pattern_drawing, patterns_of, sized_drawing
from leanmix.paper.pose import Outline, Pose, SidePlaces, pose_at
from leanmix.paper.share import ZIP_BYTES_MAX, Difference, SharedBuild, differences, open_build, pack_build
from leanmix.paper.sheet import sheet_pages, template_pages

__all__ = [
    "A4",
    "CSV_COLUMNS",
    "EVERYTHING_SCHEMA",
    "LAYERS",
    "LETTER",
    "PAPERS",
    "SLOT_ADDRESS",
    "ZIP_BYTES_MAX",
    "Difference",
    "Facts",
    "Hole",
    "Outline",
    "Paper",
    "Pattern",
    "Pose",
    "SharedBuild",
    "SidePlaces",
    "TipRow",
    "arm_pattern",
    "binary",
    "build_files",
    "differences",
    "eeprom_bytes",
    "everything",
    "everything_json",
    "facts_of",
    "front_drawing",
    "front_to_size",
    "front_view",
    "gauge_pattern",
    "header",
    "holes_of",
    "intel_hex",
    "link_pattern",
    "mapping_csv",
    "mount_pattern",
    "open_build",
    "pack_build",
    "pattern_drawing",
    "patterns_of",
    "pose_at",
    "reach_mm",
    "sheet_pages",
    "sized_drawing",
    "template_pages",
    "to_dxf",
    "to_pdf",
]
