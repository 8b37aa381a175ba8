"""Where the journal lives: the user's data folder, or the folder that LEANMIX_HOME names."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["home", "journal_path"]

HOME_VARIABLE = "LEANMIX_HOME"
FILE_NAME = "journal.sqlite"


def home() -> Path:
    """Folder for what leanmix keeps: ``$LEANMIX_HOME`` when set, else the platform's user data folder.

    The folder need not exist yet.
    """
    chosen = os.environ.get(HOME_VARIABLE, "").strip()
    if chosen:
        return Path(chosen)
    import platformdirs

    return platformdirs.user_data_path("leanmix", appauthor=False)


def journal_path() -> Path:
    """The journal's file in `home`."""
    return home() / FILE_NAME
