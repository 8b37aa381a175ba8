"""What every table of the machine file is: frozen, and refusing keys it does not know."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, StringConstraints

__all__ = ["Name", "Table"]

Name = Annotated[
    str,
    StringConstraints(
        min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]*$"
    ),
]


class Table(BaseModel):
    """A table of the machine file: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)
