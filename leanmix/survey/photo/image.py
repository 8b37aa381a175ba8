"""Reading a picture file safely, and cutting views out of it."""

from __future__ import annotations

import io
import struct
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from leanmix.errors import FileTrouble
from leanmix.machine import plain_file

__all__ = ["MOST_PIXELS", "Photograph", "open_photograph", "view_jpeg"]

MOST_PIXELS = 120_000_000
LEAST_SIDE = 200
MOST_VIEW = 2400
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "BMP")
FILM_WIDTH_MM = 36.0
# what the decoders raise for damaged files, each its own way
_BROKEN = (
    OSError, SyntaxError, ValueError, EOFError, Image.DecompressionBombError, MemoryError, struct.error, TypeError,
    LookupError,
)  # fmt: skip


@dataclass(frozen=True)
class Photograph:
    """A decoded picture, upright.

    Parameters
    ----------
    name : str
        File name without its folder.
    image : PIL image
        RGB, whole size.
    half : PIL image
        At most `MOST_VIEW` pixels long, for views of the whole.
    focal_px : float or None
        Focal length in pixels, where the camera wrote it down.
    """

    name: str
    image: Image.Image
    half: Image.Image
    focal_px: float | None

    @property
    def size(self) -> tuple[int, int]:
        """Width and height [px]."""
        return self.image.size

    def grey(self, x: float, y: float, reach: int) -> tuple[NDArray[np.float64], int, int]:
        """Grey levels round a place, and the corner of what was cut out; shape (≤ 2 reach, ≤ 2 reach)."""
        left, top = max(int(x) - reach, 0), max(int(y) - reach, 0)
        right, bottom = min(int(x) + reach, self.size[0]), min(int(y) + reach, self.size[1])
        if right <= left or bottom <= top:
            return np.zeros((0, 0)), left, top
        cut = self.image.crop((left, top, right, bottom)).convert("L")
        return np.asarray(cut, dtype=np.float64), left, top


def open_photograph(path: str | Path) -> Photograph:
    """Decode a picture file, turned upright as the camera noted.

    Raises
    ------
    FileTrouble
        When it cannot be read, is no picture, is broken off, or is too large or too small.
    """
    shown = str(path)
    plain_file(path)
    try:
        with warnings.catch_warnings():
            # the size is checked below, before anything is decoded
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            warnings.simplefilter("ignore", UserWarning)
            with Image.open(path, formats=FORMATS) as image:
                width, height = image.size
                if width * height > MOST_PIXELS:
                    raise FileTrouble(
                        f"{shown}: {width} × {height} pixels are more than this takes ({MOST_PIXELS // 1_000_000} million).",
                        "Save it smaller, whole and not cropped.",
                    )
                if min(width, height) < LEAST_SIDE:
                    raise FileTrouble(
                        f"{shown}: {width} × {height} pixels are too few to measure on.",
                        "Use the camera's own picture.",
                    )
                focal = _focal_px(image, max(width, height))
                upright = ImageOps.exif_transpose(image).convert("RGB")
    except UnidentifiedImageError as error:
        raise FileTrouble(f"{shown}: is not a picture this can read.", "JPEG, PNG, WebP, TIFF and BMP work.") from error
    except _BROKEN as error:
        raise FileTrouble(
            f"{shown}: the picture is broken or cut off ({_short(error)}).", "Copy it from the camera again."
        ) from error
    half = upright.copy()
    half.thumbnail((MOST_VIEW, MOST_VIEW), Image.Resampling.BOX)
    return Photograph(Path(path).name, upright, half, focal)


def _short(error: BaseException) -> str:
    return str(error).splitlines()[0][:80] if str(error) else type(error).__name__


def _focal_px(image: Image.Image, longer_px: int) -> float | None:
    try:
        value = image.getexif().get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm)
        focal = float(value) if value else 0.0
    except _BROKEN:
        return None
    return focal / FILM_WIDTH_MM * longer_px if 8 <= focal <= 600 else None


def view_jpeg(photo: Photograph, left: float, top: float, width: float, height: float, out_width: int) -> bytes:
    """A part of the picture as JPEG bytes, `out_width` pixels wide; what lies outside the picture is grey.

    Parameters
    ----------
    photo : Photograph
        The picture.
    left, top, width, height : float
        Part wanted [px of the whole picture].
    out_width : int
        Width wanted; at most 2400.
    """
    out_width = min(max(out_width, 16), MOST_VIEW)
    out_height = min(max(round(out_width * height / width), 16), MOST_VIEW)
    shrunk = photo.half.width / photo.image.width
    source, scale = (photo.half, shrunk) if out_width <= width * shrunk else (photo.image, 1.0)
    data = (width * scale / out_width, 0.0, left * scale, 0.0, height * scale / out_height, top * scale)
    cut = source.transform(
        (out_width, out_height),
        Image.Transform.AFFINE,
        data,
        resample=Image.Resampling.BILINEAR,
        fillcolor=(96, 96, 96),
    )
    stream = io.BytesIO()
    cut.save(stream, "JPEG", quality=88)
    return stream.getvalue()
