"""On paper and for other tools: build sheet, templates to size, exports, drawings for CAD, a build to share."""

from leanmix.paper.exports import CSV_COLUMNS, SLOT_ADDRESS, binary, eeprom_bytes, header, intel_hex, mapping_csv
from leanmix.paper.flow import A4, LETTER, PAPERS, Paper
from leanmix.paper.pdf import to_pdf

__all__ = [
    "A4",
    "CSV_COLUMNS",
    "LETTER",
    "PAPERS",
    "SLOT_ADDRESS",
    "Paper",
    "binary",
    "eeprom_bytes",
    "header",
    "intel_hex",
    "mapping_csv",
    "to_pdf",
]
