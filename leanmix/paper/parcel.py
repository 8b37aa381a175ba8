"""What goes into a build to share: every export of one machine, and the page that says what it is."""

from __future__ import annotations

from leanmix import __version__
from leanmix.drawing import to_png, to_svg
from leanmix.paper.dxf import to_dxf
from leanmix.paper.everything import everything_json
from leanmix.paper.exports import binary, header, intel_hex, mapping_csv
from leanmix.paper.facts import Facts
from leanmix.paper.flow import Paper
from leanmix.paper.pdf import to_pdf
from leanmix.paper.pictures import front_drawing, front_to_size, pattern_drawing, patterns_of
from leanmix.paper.share import IMAGE_NAME
from leanmix.paper.sheet import CAUTIONS, sheet_pages, template_pages

__all__ = ["build_files"]

_PICTURE_DPI = 120


def build_files(facts: Facts, paper: Paper) -> dict[str, bytes]:
    """Every file of a build but its machine file, by name.

    Parameters
    ----------
    facts : Facts
        What was worked out. The table's files are left out unless all of its proof holds.
    paper : Paper
        For sheet and templates.
    """
    source = facts.source
    name = source.machine.name
    files = {
        "sheet.pdf": to_pdf(sheet_pages(facts, paper), f"{name}: build sheet"),
        "templates.pdf": to_pdf(template_pages(facts, paper), f"{name}: templates to size"),
        "everything.json": everything_json(facts).encode(),
    }
    if facts.proved and facts.table is not None and facts.plan is not None:
        image = facts.table.image
        files |= {
            IMAGE_NAME: binary(image),
            "table.hex": intel_hex(image).encode("ascii"),
            "table.h": header(image, source).encode("ascii"),
            "mapping.csv": mapping_csv(image, facts.plan, source).encode(),
        }
    remark = (f"machine {name}", f"machine file SHA-256 {source.digest.hex()}")
    for key, pose in facts.poses.items():
        drawing = front_drawing(pose, f"{name}, {key}")
        files[f"pictures/{key}.svg"] = to_svg(drawing).encode()
        files[f"pictures/{key}.png"] = to_png(drawing, _PICTURE_DPI)
        files[f"cad/front-{key}.dxf"] = to_dxf(front_to_size(pose), remark).encode()
    for key, patterns in patterns_of(source).items():
        files[f"cad/{key}.dxf"] = to_dxf(pattern_drawing(patterns, key).shapes, remark).encode()
    files["readme.txt"] = _readme(facts, sorted(files)).encode()
    return files


_WHAT = {
    "sheet.pdf": "the build sheet: what to cut, print and screw, and what was worked out",
    "templates.pdf": "templates to size, with check lines for the printer",
    "everything.json": "every figure for other programs, units in the keys",
    IMAGE_NAME: "the table image as a board stores it",
    "table.hex": "the same for a programmer that writes the board's EEPROM",
    "table.h": "the same as a C header, with a comment on how to use it",
    "mapping.csv": "servo pulse and lean at every steering count",
    "machine.toml": "the machine file: what was measured, and what everything else follows from",
    "contents.json": "sizes and hashes of all files, checked when the build is opened",
}


def _readme(facts: Facts, names: list[str]) -> str:
    source = facts.source
    about = source.machine.about.strip()
    rows = [f"  {n:<26}{_WHAT.get(n, _by_folder(n))}" for n in ["machine.toml", "contents.json", *names]]
    trouble = [f"  ! {words}" for words in facts.missing]
    return "\n".join(
        [
            f"{source.machine.name}: a leaning RC machine's build, to share",
            "",
            *([about, ""] if about else []),
            f"Written by leanmix {__version__}. Machine file SHA-256 {source.digest.hex()}",
            "",
            "To look at it beside your own machine:  leanmix share open THIS.zip --beside MINE.toml",
            "The table in it fits the machine it was made from and no other: measure your own, and let leanmix",
            "work out and prove your own table. leanmix never flashes a table that came in a zip.",
            "",
            "What is in it:",
            *rows,
            *(["", "What could not be worked out:", *trouble] if trouble else []),
            "",
            "Cautions:",
            *(f"  ! {words}" for words in CAUTIONS),
            "",
        ]
    )


def _by_folder(name: str) -> str:
    if name.startswith("pictures/"):
        return "the machine seen from behind"
    return "drawing for CAD, in mm" if name.startswith("cad/") else ""
