"""Where leanmix keeps what is not a machine file: the user's data folder, or the one LEANMIX_HOME names."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["home"]


def home() -> Path:
    """Folder for the journal, virtual boards and recovery files; it need not exist yet.

    ``$LEANMIX_HOME`` where set, else the platform's user data folder.
    """
    chosen = os.environ.get("LEANMIX_HOME", "").strip()
    if chosen:
        return Path(chosen)
    import platformdirs

    return platformdirs.user_data_path("leanmix", appauthor=False)
