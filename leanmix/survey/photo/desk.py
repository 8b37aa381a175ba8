"""What the picture page asks for and gets: its points, views of the picture, and what clicks come to.

The desk holds one picture of one machine. Whatever is clicked is written into the readings file at once, so
nothing is lost when the browser or this computer stops.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from leanmix.errors import LeanmixError
from leanmix.machine import Machine, save_text
from leanmix.survey.file import ReadingsFile, blank_readings, load_readings, parse_readings
from leanmix.survey.layout import tied_parts
from leanmix.survey.photo.camera import (  # fmt: skip
    CardMark,
    Click,
    Picture,
    PictureTrouble,
    Straightened,
    lens_from_corners,
    straighten,
)
from leanmix.survey.photo.image import Photograph
from leanmix.survey.photo.marks import CARD_MM, MARK_MM, card_marks_mm, find_mark, find_rest
from leanmix.survey.places import SIDES, Place, find_point, places_of
from leanmix.survey.solve import solve
from leanmix.survey.tables import Trouble, number, picture_of, put_picture

__all__ = ["Desk", "PageFault"]

# how well a click hits, in pixels of the screen, and what zooming in cannot better, in px of the picture (σ)
HAND_SCREEN_PX = 1.5
HAND_LEAST_PX = 0.7
# a corner mark that could not be found by its quarters counts as clicked by hand
HAND_MARK_PX = 2.0
MOST_CLICKS = 400


class PageFault(LeanmixError):
    """The page sent something that makes no sense."""


@dataclass
class Desk:
    """One picture being clicked.

    Parameters
    ----------
    machine : Machine
        Gives the points their names and the survey its start.
    photo : Photograph
        The picture.
    readings : Path
        Readings file to keep the clicks in; made when there is none.
    view, mirrored : str, bool
        As in `Sheet`.
    card_mm, card_tol_mm : tuple of float, float
        Size between the corner marks as measured on the print, and how sure that is (95 %).
    length_mm : float or None
        Known length to use instead of a card: two marks.
    behind_mm, behind_tol_mm : float
        As in `Picture`.
    """

    machine: Machine
    photo: Photograph
    readings: Path
    view: str = "front"
    mirrored: bool = False
    card_mm: tuple[float, float] = CARD_MM
    card_tol_mm: float = 0.3
    length_mm: float | None = None
    behind_mm: float = 0.0
    behind_tol_mm: float = 1.0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def places(self) -> Mapping[str, Place]:
        """Every place that this view can show; a part's corner that sits on a named place is that place."""
        tied = tied_parts(self.machine)
        return {n: p for n, p in places_of(self.machine).items() if p.view in (self.view, "both") and n not in tied}

    def sides(self, place: Place) -> tuple[str, ...]:
        """Sides on which a place is to be clicked; "" where there is one for both."""
        one_axis = self.machine.servo.arrangement == "double_arm" and place.name == "arm_centre"
        return SIDES if place.sided and not one_axis else ("",)

    def corner_mm(self) -> list[tuple[float, float]]:
        """Where the marks to be clicked lie [mm]: the card's corners, or the ends of the known length."""
        if self.length_mm is not None:
            return [(0.0, 0.0), (self.length_mm, 0.0)]
        return [(float(x), float(y)) for x, y in card_marks_mm(self.card_mm)[:4]]

    def opening(self) -> dict[str, Any]:
        """What the page needs to begin, with earlier clicks of the same picture."""
        points = []
        for place in self.places().values():
            for side in self.sides(place):
                name = f"{side} {place.name}".strip()
                points.append(
                    {"name": name, "letter": place.letter, "side": side, "plain": place.plain, "where": place.where}
                )
        width, height = self.photo.size
        return {
            "file": self.photo.name,
            "machine": self.machine.name,
            "width_px": width,
            "height_px": height,
            "view": self.view,
            "marks": len(self.corner_mm()),
            "points": points,
            "earlier": self._earlier(),
        }

    def _stored(self) -> ReadingsFile:
        if self.readings.exists():
            return load_readings(self.readings, self.machine)
        return parse_readings(blank_readings(self.machine), self.machine, str(self.readings))

    def _earlier(self) -> dict[str, Any]:
        import tomllib

        nothing: dict[str, Any] = {"marks": [], "clicks": []}
        content = tomllib.loads(self._stored().text)
        for item in content.get("picture", []):
            if item.get("file") != self.photo.name or (item.get("width_px"), item.get("height_px")) != self.photo.size:
                continue
            picture = picture_of(item, places_of(self.machine))
            corners = self.corner_mm()
            found = {(round(m.x_mm, 2), round(m.y_mm, 2)): [m.x_px, m.y_px] for m in picture.marks}
            marks = [found.get((round(x, 2), round(y, 2))) for x, y in corners]
            if None in marks:
                return nothing
            clicks = [
                {"point": str(c.point), "px": [c.x_px, c.y_px], "sigma_px": c.sigma_px, "behind_mm": c.behind_mm}
                for c in picture.clicks
            ]
            return {"marks": marks, "clicks": clicks}
        return nothing

    def take(self, sent: Mapping[str, Any]) -> dict[str, Any]:
        """Take the page's clicks, keep them, and say what they come to.

        Parameters
        ----------
        sent : mapping
            ``marks``: list of [x, y] in px, in the order of their numbers. ``clicks``: list of tables with
            ``point``, ``px``, ``zoom`` (screen pixels a picture pixel), and maybe ``behind_mm``.

        Returns
        -------
        dict
            ``marks``: every mark as found; ``said``: sentences; ``placed``: how many points; ``scale``.

        Raises
        ------
        PageFault
            When it makes no sense.
        """
        with self._lock:
            picture = self._picture(sent)
            said: list[str] = []
            measured: Straightened | None = None
            if picture.clicks and len(picture.marks) in (2, *range(4, 99)):
                try:
                    measured = straighten(picture)
                    said += measured.warnings
                except PictureTrouble as trouble:
                    said.append(str(trouble))
            answer: dict[str, Any] = {
                "marks": [{"at_mm": [m.x_mm, m.y_mm], "px": [m.x_px, m.y_px], "found": m.sigma_px < 1} for m in picture.marks],
                "scale": None if measured is None else round(measured.px_per_mm, 2),
                "camera_mm": None if measured is None else round(measured.camera_mm),
                "points": [] if measured is None else [
                    {"point": str(m.point), "tol_mm": round(m.tol_mm, 3)} for m in measured.sheet.marks
                ],
            }  # fmt: skip
            stored = self._keep(picture)
            if measured is not None:
                said += self._survey_says(stored)
            answer["said"] = said
            return answer

    def _keep(self, picture: Picture) -> ReadingsFile:
        stored = self._stored()
        if not picture.marks and not picture.clicks and f'"{picture.name}"' not in stored.text:
            return stored
        size = (self.length_mm, 0.0) if self.length_mm is not None else self.card_mm
        text = put_picture(stored.text, picture, size, self.card_tol_mm)
        kept = parse_readings(text, self.machine, stored.name)
        if text != stored.text:
            save_text(self.readings, text)
        return kept

    def _survey_says(self, stored: ReadingsFile) -> list[str]:
        try:
            solution = solve(self.machine, stored.survey)
        except LeanmixError as error:
            return [error.what]
        said = [
            f"{c.words} lies {c.off:.2g} {c.unit} off what all other readings say: set aside." for c in solution.aside
        ]
        said += [o.words[:1].upper() + o.words[1:] for o in solution.open[:3]]
        held = sum(p.held for p in solution.points)
        said.append(f"{held} of {len(solution.points)} points placed, all readings together.")
        return said

    def _picture(self, sent: Mapping[str, Any]) -> Picture:
        marks, clicks = sent.get("marks"), sent.get("clicks")
        if not isinstance(marks, list) or not isinstance(clicks, list) or len(clicks) > MOST_CLICKS:
            raise PageFault("the page sent no clicks.")
        places = places_of(self.machine)
        width, height = self.photo.size
        corners = self._corners([_px(m, width, height) for m in marks])
        made = []
        for c in clicks:
            if not isinstance(c, dict):
                raise PageFault("a click is no table.")
            try:
                point = find_point(str(c.get("point"))[:80], places)
                behind = None if c.get("behind_mm") is None else number(c, "behind_mm", -1000, 1000)
                if c.get("sigma_px") is not None:
                    sigma = number(c, "sigma_px", 0.02, 500)
                else:
                    sigma = math.hypot(HAND_SCREEN_PX / number(c, "zoom", 1e-3, 1e3), HAND_LEAST_PX)
            except Trouble as error:
                raise PageFault(error.what) from error
            x, y = _px(c.get("px"), width, height)
            if point.side not in self.sides(places[point.place]) and point.side != "centre":
                raise PageFault(f"{point.place} needs left or right.")
            made.append(Click(point, x, y, round(sigma, 3), behind))
        base = self.length_mm or self.card_mm[0]
        picture = Picture(
            self.photo.name, width, height, self.view, self.mirrored, corners, tuple(made),
            self.card_tol_mm / base, self.behind_mm, self.behind_tol_mm, self.photo.focal_px,
        )  # fmt: skip
        return self._with_rest(picture)

    def _corners(self, clicked: list[tuple[float, float]]) -> tuple[CardMark, ...]:
        plane = self.corner_mm()
        if len(clicked) > len(plane):
            raise PageFault("more marks than the card has.")
        if self.length_mm is not None:
            return tuple(CardMark(*mm, *px, HAND_MARK_PX) for mm, px in zip(plane, clicked, strict=False))
        radius = self._mark_radius(clicked)
        out = []
        for mm, px in zip(plane, clicked, strict=False):
            hit = self._find(px, radius) if radius else None
            out.append(CardMark(*mm, *hit) if hit else CardMark(*mm, *px, HAND_MARK_PX))
        return tuple(out)

    def _mark_radius(self, clicked: list[tuple[float, float]]) -> float:
        """Radius of a mark in the picture [px], once two corners tell the scale."""
        plane = self.corner_mm()
        if len(clicked) < 2:
            return 0.0
        seen = math.dist(clicked[0], clicked[1])
        return seen / math.dist(plane[0], plane[1]) * MARK_MM / 2

    def _find(self, px: tuple[float, float], radius: float) -> tuple[float, float, float] | None:
        grey, left, top = self.photo.grey(px[0], px[1], math.ceil(3 * radius) + 8)
        hit = find_mark(grey, (px[0] - left, px[1] - top), radius) if grey.size else None
        return None if hit is None else (hit[0] + left, hit[1] + top, hit[2])

    def _with_rest(self, picture: Picture) -> Picture:
        if self.length_mm is not None or len(picture.marks) != 4:
            return picture
        try:
            lens = lens_from_corners(picture)
        except (PictureTrouble, np.linalg.LinAlgError):
            return picture
        rest = find_rest(self._find, picture.marks, lens, self.card_mm)
        return replace(picture, marks=picture.marks + rest)


def _px(value: object, width: int, height: int) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise PageFault("a place in the picture is two numbers.")
    pair = {"x": value[0], "y": value[1]}
    try:
        return number(pair, "x", 0, width), number(pair, "y", 0, height)
    except Trouble as error:
        raise PageFault(error.what) from error
