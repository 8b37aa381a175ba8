"""Pictures and drawings as tables of the readings file, and back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from leanmix.errors import Finding, LeanmixError, MachineFileError
from leanmix.survey.photo.camera import CardMark, Click, Picture, PictureTrouble, straighten
from leanmix.survey.places import Place, find_point
from leanmix.survey.readings import Mark, Sheet

__all__ = ["Trouble", "number", "picture_of", "put_drawing", "put_picture", "read_drawing", "read_picture"]

PICTURE_KEYS = (
    "file", "view", "seen_from", "width_px", "height_px", "card_mm", "card_tol_mm", "behind_mm", "behind_tol_mm",
    "focal_px", "mark", "click",
)  # fmt: skip
DRAWING_KEYS = ("file", "view", "seen_from", "tol_mm", "hole")
MOST = 1e9
# which way a sheet may have been seen, the first not mirrored
SEEN = {"front": ("front", "behind"), "side": ("left", "right")}


class Trouble(LeanmixError):
    """Something in a readings file that cannot be used."""


def number(table: Mapping[str, Any], key: str, low: float, high: float) -> float:
    """A number of a table, in range.

    Raises
    ------
    Trouble
        When it is missing, no number, or out of range.
    """
    value = table.get(key)
    if value is None:
        raise Trouble(f"{key} is missing.")
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise Trouble(f"{key} = {value!r:.40} is no number.")
    if abs(value) > MOST or math.isnan(value):  # a whole number may be too large even to be told from infinity
        raise Trouble(f"{key} is no number that can be meant.")
    if not low <= value <= high:
        raise Trouble(f"{key} = {value:g} is outside what is possible: {low:g} to {high:g}.")
    return float(value)


def _view(item: Mapping[str, Any]) -> tuple[str, bool]:
    view = item.get("view", "front")
    if view not in SEEN:
        raise Trouble(f"view = {view!r:.30} is not known.", "Use front or side.")
    seen = item.get("seen_from", SEEN[view][0])
    if seen not in SEEN[view]:
        raise Trouble(f"seen_from = {seen!r:.30} does not go with a {view} view.", f"Use {' or '.join(SEEN[view])}.")
    return view, seen == SEEN[view][1]


def _only(item: Mapping[str, Any], allowed: tuple[str, ...]) -> None:
    if strange := [str(k)[:30] for k in item if k not in allowed]:
        raise Trouble(f"{', '.join(strange)} is not a key here.", f"There are: {', '.join(allowed)}.")


def _pair(table: Mapping[str, Any], key: str) -> tuple[float, float]:
    value = table.get(key)
    if not isinstance(value, list) or len(value) != 2:
        raise Trouble(f"{key} must be two numbers.", f"For example {key} = [180.0, 120.0].")
    pair = {"x": value[0], "y": value[1]}
    return number(pair, "x", -1e6, 1e6), number(pair, "y", -1e6, 1e6)


def _list(item: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    value = item.get(key, [])
    if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
        raise Trouble(f"{key} must be a list of tables.")
    return value


def picture_of(item: Mapping[str, Any], places: Mapping[str, Place]) -> Picture:
    """A ``[[picture]]`` table as a `Picture`.

    Raises
    ------
    Trouble, UnknownPoint
        With the first thing wrong in it.
    """
    _only(item, PICTURE_KEYS)
    view, mirrored = _view(item)
    marks = []
    for m in _list(item, "mark"):
        (x_mm, y_mm), (x_px, y_px) = _pair(m, "at_mm"), _pair(m, "px")
        marks.append(CardMark(x_mm, y_mm, x_px, y_px, number(m, "sigma_px", 0.02, 200.0)))
    clicks = []
    for c in _list(item, "click"):
        point = find_point(str(c.get("point", "")), places)
        if places[point.place].view not in (view, "both"):
            raise Trouble(f"{point} cannot be measured in a {view} view.")
        x, y = _pair(c, "px")
        behind = number(c, "behind_mm", -1000, 1000) if "behind_mm" in c else None
        clicks.append(Click(point, x, y, number(c, "sigma_px", 0.02, 500.0), behind))
    width = max((m.x_mm for m in marks), default=100.0) or 100.0
    return Picture(
        name=str(item.get("file", "picture"))[:80],
        width_px=int(number(item, "width_px", 1, 100_000)),
        height_px=int(number(item, "height_px", 1, 100_000)),
        view=view,
        mirrored=mirrored,
        marks=tuple(marks),
        clicks=tuple(clicks),
        card_tol=number(item, "card_tol_mm", 0, 50) / abs(width) if "card_tol_mm" in item else 0.002,
        behind_mm=number(item, "behind_mm", -1000, 1000) if "behind_mm" in item else 0.0,
        behind_tol_mm=number(item, "behind_tol_mm", 0, 1000) if "behind_tol_mm" in item else 1.0,
        focal_px=number(item, "focal_px", 10, 1e6) if "focal_px" in item else None,
    )


def read_picture(item: Mapping[str, Any], places: Mapping[str, Place]) -> Sheet | None:
    """A ``[[picture]]`` table as a sheet in millimetres; None while it has no clicks or no scale yet."""
    picture = picture_of(item, places)
    if not picture.clicks or len(picture.marks) in (0, 1, 3):
        return None
    try:
        return straighten(picture).sheet
    except PictureTrouble as error:
        raise Trouble(error.what, error.todo) from error


def read_drawing(item: Mapping[str, Any], places: Mapping[str, Place]) -> Sheet | None:
    """A ``[[drawing]]`` table as a sheet; None while no hole is named."""
    _only(item, DRAWING_KEYS)
    view, mirrored = _view(item)
    usual = number(item, "tol_mm", 1e-3, 100) if "tol_mm" in item else 0.5
    marks = []
    for hole in _list(item, "hole"):
        point = find_point(str(hole.get("point", "")), places)
        x, y = _pair(hole, "at_mm")
        marks.append(Mark(point, x, y, number(hole, "tol_mm", 1e-3, 100) if "tol_mm" in hole else usual))
    if not marks:
        return None
    return Sheet(str(item.get("file", "drawing"))[:80], "drawing", view, mirrored, tuple(marks))


def put_picture(text: str, picture: Picture, card_mm: tuple[float, float], card_tol_mm: float) -> str:
    """Write a picture's marks and clicks into a readings file's text, in place of an earlier table of that file name."""
    table = tomlkit.table()
    table["file"] = picture.name
    table["view"] = picture.view
    table["seen_from"] = SEEN[picture.view][int(picture.mirrored)]
    table["width_px"], table["height_px"] = picture.width_px, picture.height_px
    table["card_mm"] = [round(v, 3) for v in card_mm]
    table["card_tol_mm"] = round(card_tol_mm, 3)
    table["behind_mm"], table["behind_tol_mm"] = round(picture.behind_mm, 2), round(picture.behind_tol_mm, 2)
    if picture.focal_px is not None:
        table["focal_px"] = round(picture.focal_px, 1)
    marks, clicks = tomlkit.array(), tomlkit.array()
    for m in picture.marks:
        marks.add_line(
            _inline(f"at_mm = [{m.x_mm:g}, {m.y_mm:g}], px = [{m.x_px:.2f}, {m.y_px:.2f}], sigma_px = {m.sigma_px:g}"), indent="    "
        )  # fmt: skip
    for c in picture.clicks:
        depth = "" if c.behind_mm is None else f", behind_mm = {c.behind_mm:g}"
        clicks.add_line(
            _inline(f'point = "{c.point}", px = [{c.x_px:.2f}, {c.y_px:.2f}], sigma_px = {c.sigma_px:.3g}{depth}'), indent="    "
        )  # fmt: skip
    for array in (marks, clicks):
        array.add_line(indent="")
    table["mark"], table["click"] = marks, clicks
    return _put(text, "picture", table)


def put_drawing(text: str, sheet: Sheet) -> str:
    """Write a drawing's named holes into a readings file's text, in place of an earlier table of that file name."""
    table = tomlkit.table()
    table["file"] = sheet.name
    table["view"] = sheet.view
    table["seen_from"] = SEEN[sheet.view][int(sheet.mirrored)]
    holes = tomlkit.array()
    for m in sheet.marks:
        holes.add_line(
            _inline(f'point = "{m.point}", at_mm = [{m.x_mm:.4f}, {m.y_mm:.4f}], tol_mm = {m.tol_mm:g}'), indent="    "
        )  # fmt: skip
    holes.add_line(indent="")
    table["hole"] = holes
    return _put(text, "drawing", table)


def _inline(body: str) -> Any:
    return tomlkit.parse(f"x = {{ {body} }}")["x"]


def _put(text: str, key: str, table: Any) -> str:
    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, RecursionError, ValueError) as error:
        raise MachineFileError("readings", (Finding("file", f"not TOML: {error}."),)) from error
    tables = document.get(key)
    if tables is None:
        tables = tomlkit.aot()
        document.add(tomlkit.nl())
        document[key] = tables
        tables = document[key]
    for i, old in enumerate(tables):
        if old.get("file") == table["file"]:
            tables[i] = table
            break
    else:
        tables.append(table)
    return tomlkit.dumps(document)
