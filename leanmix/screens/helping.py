"""Help on the spot: what the view shows, what is chosen, and the keys; all read from where the docs read them."""

from __future__ import annotations

from leanmix.screens.actions import VIEWS, acts_for, shown_keys
from leanmix.screens.boxes import TextBox
from leanmix.screens.views.base import View

__all__ = ["help_box", "help_text"]


def help_text(view: View) -> list[tuple[str, str]]:
    """Paragraphs of help for a view, as (words, ink); a tab parts a key from what it does."""
    name = view.name_of_view
    says = next(v.says for v in VIEWS if v.name == name)
    out: list[tuple[str, str]] = [(says, "strong")]
    out += view.about()
    for title, acts in (("Keys of this view", acts_for(name)), ("Keys everywhere", acts_for(""))):
        if acts:
            out.append(("", "plain"))
            out.append((title, "head"))
            out += [(f"{shown_keys(a.keys)}\t{a.title}. {a.says}", "plain") for a in acts]
    out.append(("", "plain"))
    out.append(("Views", "head"))
    out += [(f"{shown_keys(v.keys)}\t{v.title}. {v.says}", "plain") for v in VIEWS]
    out.append(("", "plain"))
    out.append(("Marks", "head"))
    out += [
        ("●\twhere the steering stands; ○ while a hand holds the arm", "plain"),
        ("✕\tblocks: the servo stalls there", "plain"),
        ("◇\ttouches: beyond the spring; the servo goes on, the lean grows more slowly", "plain"),
        ("▲\todd, but allowed", "plain"),
        ("◦\tstill a guess: type the number and where it is from, such as 15.2 calipers", "plain"),
        ("torque\twhat the servo must give at most: guides at the rough end of their friction, battery cold", "plain"),
    ]
    return out


def help_box(view: View) -> TextBox:
    """The help as a box."""
    title = next(v.title for v in VIEWS if v.name == view.name_of_view)
    return TextBox(f"{title}: help", help_text(view))
