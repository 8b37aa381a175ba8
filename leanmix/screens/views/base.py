"""What every view shares."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar, Protocol, runtime_checkable

from textual import events

from leanmix.screens.grid import Grid
from leanmix.screens.line import TypedLine
from leanmix.screens.moved import Remeasured, remeasured
from leanmix.screens.sheet import Sheet
from leanmix.screens.sketch import Sketch

if TYPE_CHECKING:
    from leanmix.machine import MachineFile
    from leanmix.screens.link import PortsFound

__all__ = ["ChoosesPort", "View"]


@runtime_checkable
class ChoosesPort(Protocol):
    """A view that lets a port be chosen."""

    def choose_port(self, message: PortsFound) -> None:
        """Ports were listed."""


class View(Sheet, can_focus=True):
    """One view: a pane with keys of its own."""

    name_of_view: ClassVar[str] = ""

    @property
    def working(self) -> bool:
        """Whether something goes on that shows how far it is, and is to be painted now and then."""
        return False

    def hints(self) -> list[tuple[str, str]]:
        """Keys most wanted here, with a word each."""
        return []

    def about(self) -> list[tuple[str, str]]:
        """What the help says of what is chosen right now, as (words, ink)."""
        return []

    def mark_front(self, sketch: Sketch) -> None:
        """Put marks on the front picture."""

    def figures_out(self) -> list[list[str]]:
        """The view's figures as rows for CSV, heading first."""
        return []

    def typed(self, event: events.Key) -> bool:
        """Take a key before any action does; False where it means nothing here."""
        return False

    def typing(self) -> TypedLine | None:
        """The line that is being typed, where there is one."""
        return None

    def on_paste(self, event: events.Paste) -> None:
        """Paste into what is being typed."""
        line = self.typing()
        if line is not None:
            event.stop()
            line.put(event.text)
            self.desk.repaint()

    def look_what_moved(self, before: MachineFile, then: Callable[[Remeasured | str], None]) -> None:
        """Work out aside what the edit just made moved; told only while the machine is still that one."""
        store = self.desk.store
        after, serial = store.good, store.serial

        def told(result: Remeasured | str) -> None:
            if store.serial == serial:
                then(result)
                self.repaint()

        self.desk.work_aside(lambda: remeasured(before, after), told)

    def came(self) -> None:
        """The view was shown."""

    def edited_elsewhere(self, key: str) -> None:
        """An entry was changed by undo or redo, or is to be gone to; "" for all of them."""

    def paint(self, grid: Grid) -> None:
        """Subclasses paint themselves."""
        grid.put(0, 1, self.name_of_view, "head")
