"""Writing the plain format of LOGS.md: a log of any logger, its time mended, for whoever reads it next."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from leanmix.bench.drivelog.times import Stretch

__all__ = ["PLAIN_HEAD", "plain_lines"]

PLAIN_HEAD = "# leanmix drive log 1\n"


def plain_lines(stretches: Iterable[Stretch], machine: str = "") -> Iterator[str]:
    """A log's stretches as text in the plain format, a piece at a time.

    Parameters
    ----------
    stretches : iterable of Stretch
        From `repaired`.
    machine : str
        The machine's name, for a note at the top.
    """
    yield PLAIN_HEAD
    if machine:
        yield f"# machine: {' '.join(machine.split())}\n"
    names: tuple[str, ...] = ()
    for stretch in stretches:
        if not names:
            names = ("t_s", *(q for q in stretch.columns if q != "t_s"))
        if stretch.begins:
            yield ",".join(names) + "\n"
        table = np.stack([stretch.columns[q] for q in names], axis=1)
        rows = [",".join(f"{v:.9g}" for v in row) for row in table.tolist()]
        yield "\n".join(rows).replace("nan", "") + "\n"
