"""The one typeface: its files, the width of a line, and what it can write.

Bitstream Vera Sans, which comes with reportlab and may be embedded freely. It covers Latin letters and the
signs of the trade (µ ° ± × − Ø); a letter it lacks is shown without its accent, or as "?".
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from importlib import resources
from pathlib import Path

from PIL import ImageFont

__all__ = ["font_file", "text_width_mm", "writable"]

_UNITS = 1000
# Windows-1252 less its holes is what the face was drawn for; the maths signs are those it has besides
_EXTRA = frozenset("ĆćČčđĞğİŞş−≤≥≈≠√∞∂∑∏∫Ω∆π◊ıŁłŠšŽžŒœŸƒˆˇ˘˙˚˛˜˝–—‘’‚“”„†‡•…‰‹›€™")


@lru_cache(maxsize=2)
def font_file(*, bold: bool = False) -> Path:
    """Path of the TrueType file, regular or bold."""
    return Path(str(resources.files("reportlab") / "fonts" / ("VeraBd.ttf" if bold else "Vera.ttf")))


@lru_cache(maxsize=2)
def _measure(bold: bool) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_file(bold=bold)), _UNITS, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=512)
def _advance(letter: str, bold: bool) -> float:
    return float(_measure(bold).getlength(letter)) / _UNITS


def _has(letter: str) -> bool:
    return " " <= letter <= "~" or "\xa0" <= letter <= "ÿ" or letter in _EXTRA


def writable(text: str) -> str:
    """The text with what the face cannot write put as a plain letter, or as "?"; never longer than it was."""
    if all(map(_has, text)):
        return text
    out = []
    for letter in text:
        if _has(letter):
            out.append(letter)
            continue
        plain = unicodedata.normalize("NFKD", letter)[:1]
        out.append(plain if _has(plain) else "?")
    return "".join(out)


def text_width_mm(text: str, size_mm: float, *, bold: bool = False) -> float:
    """Width of one line of writing [mm], letter by letter (no kerning, as in the PDF).

    Parameters
    ----------
    text : str
        The line.
    size_mm : float
        Size of the type, an em [mm].
    bold : bool
        Bold face.
    """
    return size_mm * sum(_advance(letter, bold) for letter in writable(text))
