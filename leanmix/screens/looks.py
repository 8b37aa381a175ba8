"""Three looks: for a dark terminal, for a light one, and one that uses no colour at all."""

from __future__ import annotations

from textual.theme import Theme

__all__ = ["LOOKS", "PLAIN_LOOK", "look_named"]

PLAIN_LOOK = "plain"

# Snow at dusk, ink on paper; the plain look sends no colours, only bold, dim, underlined and reversed.
LOOKS = (
    Theme(
        name="dusk",
        primary="#9ec1cf",
        secondary="#b9a7d0",
        accent="#f0b65a",
        warning="#e6a23c",
        error="#f0796f",
        success="#8fc98b",
        foreground="#d8dde2",
        background="#14181d",
        surface="#14181d",
        panel="#232a32",
        dark=True,
        variables={
            "ink-faint": "#87929d",
            "ink-metal": "#9aa6b1",
            "ink-moving": "#f0d9a8",
            "ink-spring": "#8fc3d6",
            "ink-ground": "#6d7a86",
            "ink-other": "#c79ad0",
            "ink-ghost": "#69737d",
            "ink-bar": "#232a32",
        },
    ),
    Theme(
        name="paper",
        primary="#245b73",
        secondary="#5c4a86",
        accent="#a34a00",
        warning="#8a5600",
        error="#b3261e",
        success="#2c6e2c",
        foreground="#1d2226",
        background="#fbfaf6",
        surface="#fbfaf6",
        panel="#e6e3d8",
        dark=False,
        variables={
            "ink-faint": "#5f676d",
            "ink-metal": "#565f66",
            "ink-moving": "#8a4b00",
            "ink-spring": "#1d6480",
            "ink-ground": "#7c858b",
            "ink-other": "#7a3f8a",
            "ink-ghost": "#8b9196",
            "ink-bar": "#e6e3d8",
        },
    ),
    Theme(
        name=PLAIN_LOOK,
        primary="ansi_default",
        secondary="ansi_default",
        accent="ansi_default",
        warning="ansi_default",
        error="ansi_default",
        success="ansi_default",
        foreground="ansi_default",
        background="ansi_default",
        surface="ansi_default",
        panel="ansi_default",
        dark=True,
        ansi=True,
        variables=dict.fromkeys(
            (
                "ansi-background",
                *(f"ink-{i}" for i in ("faint", "metal", "moving", "spring", "ground", "other", "ghost", "bar")),
            ),
            "ansi_default",
        ),
    ),
)


def look_named(name: str) -> str:
    """A look's name if there is one of that name, else the first."""
    return name if any(look.name == name for look in LOOKS) else LOOKS[0].name
