"""A picture as readings: the card to print, clicks to millimetres, and the page on which they are made."""

from leanmix.survey.photo.camera import CardMark, Click, Picture, PictureTrouble, Straightened, straighten
from leanmix.survey.photo.marks import CARD_MM, card_drawing, card_marks_mm

__all__ = [
    "CARD_MM",
    "CardMark",
    "Click",
    "Picture",
    "PictureTrouble",
    "Straightened",
    "card_drawing",
    "card_marks_mm",
    "straighten",
]
