"""A program that edits a machine as fast as it can and says each edit once it is kept; to be killed."""

from __future__ import annotations

import sys

from leanmix.screens.store import Store


def main() -> None:
    """Edit for ever: nudges, undo, redo, in a fixed pattern told on stdout."""
    store = Store()
    store.open("demo:tarn")
    at = 0
    while True:
        at += 1
        if at % 7 == 5:
            store.undo()
        elif at % 7 == 6:
            store.redo()
        else:
            field = store.field("chassis.mass_g")
            if field is None:
                return
            store.put(field, 2000.0 + at)
        kept = "" if store.good.machine.chassis.mass_g is None else f"{store.good.machine.chassis.mass_g.at:g}"
        sys.stdout.write(f"{at} {kept} {store.edits}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
