"""The terminal application: it lays out the panes, takes the keys, and sends what was done where it belongs."""

from __future__ import annotations

import gc
import os
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from textual import events, on
from textual.actions import parse
from textual.app import App, ComposeResult
from textual.containers import Horizontal, Vertical
from textual.message import Message

from leanmix.errors import LeanmixError
from leanmix.machine import MachineFile
from leanmix.screens import benching, link
from leanmix.screens.actions import ACTIONS, VIEWS, acts_for, shown_keys
from leanmix.screens.bars import FootBar, TooSmall, TopBar
from leanmix.screens.benchstate import BenchState
from leanmix.screens.boxes import Box
from leanmix.screens.doings import Doings
from leanmix.screens.link import BoardState, LinkThread
from leanmix.screens.looks import LOOKS, PLAIN_LOOK, look_named
from leanmix.screens.panes import AbovePane, CurvePane, FrontPane, LoadPane
from leanmix.screens.recent import setting
from leanmix.screens.reckon import Moment, Reckoned, moment, reckon
from leanmix.screens.sheet import Sheet
from leanmix.screens.sketch import Sketch
from leanmix.screens.steering import Steering
from leanmix.screens.store import FINE, Store
from leanmix.screens.thinker import Thinker
from leanmix.screens.views import make_view
from leanmix.screens.views.base import ChoosesPort, View
from leanmix.screens.walk import WalkPane

__all__ = ["Screens"]

# (view, or "" everywhere; key) → action
KEYS: dict[tuple[str, str], str] = {
    **{(a.where, key): a.name for a in ACTIONS for key in a.keys},
    **{("", key): f"view('{v.name}')" for v in VIEWS for key in v.keys},
    ("", "escape"): "let_go",
}

LEAST_COLUMNS, LEAST_ROWS = 80, 24
BEAT_EVERY_S = 0.2

T = TypeVar("T")


class Screens(Steering, Doings, App[None]):
    """The screens on one machine.

    Parameters
    ----------
    name : str
        File to open, or ``demo:NAME``.
    greet : bool
        Offer edits that a crash left behind.
    first_walk : bool
        Begin with the tour.
    view : str
        View to begin with.

    Attributes
    ----------
    fault : BaseException or None
        A fault of ours that ended the screens.
    over : threading.Event
        Set when the screens end: what is still worked out aside is to be let go.
    """

    TITLE = "leanmix"
    CSS_PATH = str(Path(__file__).with_name("screens.tcss"))
    ENABLE_COMMAND_PALETTE = False

    class WorkedOut(Message):
        """A machine was worked out, further or anew."""

        def __init__(self, done: Reckoned) -> None:
            super().__init__()
            self.done = done

    class Faulted(Message):
        """A thread of ours met a fault."""

        def __init__(self, error: BaseException) -> None:
            super().__init__()
            self.error = error

    def __init__(
        self, name: str = "demo:tarn", *, greet: bool = False, first_walk: bool = False, view: str = "measure"
    ) -> None:
        # with NO_COLOR the terminal's own colours must go through untouched, before any filter is chosen
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        self.store: Store = Store()
        self.done: Reckoned | None = None
        self.shown: Reckoned | None = None
        self.now: Moment | None = None
        self.compared: Reckoned | None = None
        self.now_compared: Moment | None = None
        self.before_edit: Reckoned | None = None
        self.board: BoardState = BoardState()
        self.bench = BenchState()
        self.link: LinkThread = LinkThread(self.post_message)
        self.said, self.said_ink = "", "plain"
        self.view_name: str = view
        self.fault: BaseException | None = None
        self.over = threading.Event()
        self._frozen = False
        self._greet, self._first_walk = greet, first_walk
        self.thinker = Thinker(self._tell_worked_out, self._tell_faulted)
        self.store.open(name)
        for look in LOOKS:
            self.register_theme(look)
        self.theme = PLAIN_LOOK if self.no_color else look_named(setting("look"))

    # --- layout ---------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        """Bars, scene, view, and what only a large window has room for."""
        yield TopBar()
        with Horizontal(id="body"):
            with Vertical(id="scene"):
                yield FrontPane()
                yield AbovePane()
            with Vertical(id="view"):
                view = make_view(self.view_name)
                view.add_class("-shown")
                yield view
            with Vertical(id="extra"):
                yield CurvePane()
                yield LoadPane()
        yield WalkPane()
        yield FootBar()
        yield TooSmall()

    def on_mount(self) -> None:
        """Begin to work out what is open."""
        # results come from threads that compute: let the screen have its turn soon
        sys.setswitchinterval(0.002)
        self.thinker.start()
        self.ask_for_results()
        self.view.focus()
        self.set_interval(BEAT_EVERY_S, self._beat)
        if self._greet:
            self.call_after_refresh(self.greet)
        if self._first_walk:
            self.call_after_refresh(self.action_walk)

    def on_unmount(self) -> None:
        """End the threads."""
        self.thinker.stop()
        self.over.set()
        gc.unfreeze()
        if self.bench.builder is not None:
            self.bench.builder.gone.set()
        self.link.stop()

    def on_resize(self, event: events.Resize) -> None:
        """Choose a layout for the window's size."""
        columns, rows = event.size.width, event.size.height
        screen = self.screen_stack[0]
        screen.set_class(columns < LEAST_COLUMNS or rows < LEAST_ROWS, "-small")
        screen.set_class(columns >= 112 and rows >= 30, "-wide")
        screen.set_class(columns >= 180 and rows >= 45, "-vast")
        self.repaint()

    @property
    def view(self) -> View:
        """The view that is shown."""
        return self.screen_stack[0].query_one("View.-shown", View)

    def show_view(self, name: str) -> None:
        """Show a view, made when first shown."""
        if name == self.view_name or not any(v.name == name for v in VIEWS):
            return
        host = self.screen_stack[0].query_one("#view")
        self.view.remove_class("-shown")
        wanted = next((v for v in host.query(View) if v.name_of_view == name), None)
        if wanted is None:
            wanted = make_view(name)
            host.mount(wanted)
        wanted.add_class("-shown")
        self.view_name = name
        wanted.focus()
        wanted.came()
        self.quiet()
        self.repaint()

    # --- keys -----------------------------------------------------------------------------------

    async def on_event(self, event: events.Event) -> None:
        """Keys are taken here, one after the other, so that fast typing never overtakes what it opens."""
        ready = isinstance(event, events.Key) and self.is_running and bool(self.screen_stack)
        if ready and isinstance(event, events.Key) and (event.is_forwarded or self._take(event)):
            return
        await super().on_event(event)

    def _take(self, event: events.Key) -> bool:
        screen = self.screen
        if isinstance(screen, Box):
            screen.take(event)
            return True
        view = self.view
        if view.typed(event):
            return True
        name = KEYS.get((view.name_of_view, event.key)) or KEYS.get(("", event.key))
        if name is None:
            return False
        self.do(name, own=(view.name_of_view, event.key) in KEYS)
        return True

    def do(self, name: str, *, own: bool) -> None:
        """Do an action of the view's own, or of the application."""
        _, method, given = parse(name)
        getattr(self.view if own else self, f"action_{method}")(*given)

    def ask(self, box: Box, then: Callable[[str | None], None] | None = None) -> None:
        """Show a box, and call `then` with its answer."""
        box.then = then
        self.push_screen(box)

    # --- results --------------------------------------------------------------------------------

    def _tell_worked_out(self, done: Reckoned) -> None:
        self.post_message(self.WorkedOut(done))

    def _tell_faulted(self, error: BaseException) -> None:
        self.post_message(self.Faulted(error))

    def ask_for_results(self) -> None:
        """The text has changed: have it worked out."""
        if self.store.usable:
            self.thinker.ask(self.store.serial, self.store.good)

    def on_screens_worked_out(self, message: Screens.WorkedOut) -> None:
        """Take a result, unless a newer one is there already."""
        done = message.done
        if self.done is not None and done.serial < self.done.serial:
            return
        if self.shown is not None and done.serial != self.shown.serial:
            self.before_edit = self.shown
        self.done = done
        if done.setup is not None:
            self.shown = done
        self.follow()
        if done.settled and not self._frozen:
            self._frozen = True
            self.call_after_refresh(_freeze)

    def on_screens_faulted(self, message: Screens.Faulted) -> None:
        """A fault in a thread is a fault of the program."""
        self._end_with(message.error)

    def stale_why(self) -> str:
        """Why the picture is not of the text as it stands; "" where it is."""
        if self.store.findings:
            return str(self.store.findings[0])
        if self.done is not None and self.done.setup is None and self.done.troubles:
            return self.done.troubles[0]
        return ""

    def follow(self) -> None:
        """Everything follows the steering, or a new result."""
        if self.shown is not None:
            self.now = moment(self.shown, self.store.position)
        if self.compared is not None:
            self.now_compared = moment(self.compared, self.store.position)
        self.repaint()

    def repaint(self) -> None:
        """Have every pane that can be seen painted again."""
        self.screen_stack[0].query_one(WalkPane).look()
        for sheet in self.screen_stack[0].query(Sheet):
            sheet.repaint()

    def repaint_words(self) -> None:
        """Have the bars and the view painted again; the pictures too, where the text makes no machine or no new one."""
        if not self.store.usable or (self.done is not None and self.done.serial == self.store.serial):
            self.repaint()
            return
        screen = self.screen_stack[0]
        screen.query_one(WalkPane).look()
        for sheet in (screen.query_one(TopBar), screen.query_one(FootBar), self.view):
            sheet.repaint()

    def mark_front(self, sketch: Sketch) -> None:
        """Let the view put its marks on the front picture."""
        self.view.mark_front(sketch)

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        everywhere = [("?", "help"), ("a", "all actions"), ("←→", "steer"), ("[ ]", "turn"), ("u", "undo")]
        return [*self.view.hints(), *everywhere]

    def say(self, text: str, ink: str = "plain") -> None:
        """Show a sentence in the last row until the next key."""
        self.said, self.said_ink = " ".join(text.split()), ink
        self.screen_stack[0].query_one(FootBar).repaint()

    def say_error(self, error: LeanmixError) -> None:
        """Show why something could not be done."""
        self.say(f"✕ {error}", "bad")

    def quiet(self) -> None:
        """Take the last sentence away."""
        if self.said:
            self.said = ""
            self.screen_stack[0].query_one(FootBar).repaint()

    # --- board ----------------------------------------------------------------------------------

    def ask_link(self, busy: str, what: str, *given: object) -> None:
        """Ask something of the link thread."""
        self.board = replace(self.board, busy=busy, lost="", ended="")
        self.link.ask(what, *given)
        self.repaint()

    def watch_board(self, on: bool) -> None:
        """Live values ten times a second, or now and then."""
        self.board = replace(self.board, watching=on, following=self.board.following and on)
        self.link.ask("watch", on)
        self.repaint()

    def follow_receiver(self, on: bool) -> None:
        """Whether the steering position goes with the receiver."""
        if on and not self.board.watching:
            self.watch_board(True)
        self.board = replace(self.board, following=on)
        self.say("The steering follows the receiver." if on else "The steering is yours again.")

    @on(link.BoardFound)
    @on(link.LinkLost)
    @on(link.TableStored)
    @on(link.FlashMoved)
    @on(link.RequestFailed)
    def board_spoke(self, message: Message) -> None:
        """Something happened on the line."""
        self.board = self.board.after(message)
        identity = self.board.identity
        self.store.board_hash = None if identity is None else identity.machine_hash
        if isinstance(message, link.TableStored):
            # what was said of the table flashed before no longer matters
            self.done, self.shown = (d and replace(d, held=None) for d in (self.done, self.shown))
        self.repaint()

    @on(link.PortsFound)
    def ports_found(self, message: link.PortsFound) -> None:
        """Ports were listed."""
        self.board = replace(self.board, busy="")
        if isinstance(self.view, ChoosesPort):
            self.view.choose_port(message)

    @on(link.LiveCame)
    def live_came(self, message: link.LiveCame) -> None:
        """Live values: only what shows them is painted."""
        self.board = self.board.after(message)
        if self.board.following and message.live.steering_us is not None and self.shown is not None:
            from leanmix.curve import steer_of_pulse

            steer = float(steer_of_pulse(self.shown.numbers, message.live.steering_us))
            if abs(steer - self.store.position.steer) >= FINE:
                self.store.steer_to(steer)
                self.follow()
                return
        if self.view_name in ("board", "bench"):
            self.view.repaint()

    @on(benching.BuilderAsked)
    @on(benching.BuilderTold)
    @on(benching.ServoMoved)
    @on(benching.WalkEnded)
    def bench_spoke(self, message: Message) -> None:
        """The bench walk asked, told or ended."""
        if isinstance(message, benching.WalkEnded):
            self.board = replace(self.board, busy="")
        self.bench.hear(message)
        for view in self.screen_stack[0].query(View):
            if view.name_of_view == "bench":
                view.repaint()

    def _beat(self) -> None:
        if self.bench.builder is not None:
            self.bench.builder.beat()
        # as the screens come and go there is no view for a moment
        for view in self.screen_stack[0].query(View) if self.screen_stack else ():
            if view.working:
                view.repaint()

    def work_aside(self, work: Callable[[], T], then: Callable[[T], None]) -> None:
        """Do something that takes its time in a thread of its own, then hand the result to the screen's thread."""

        def run() -> None:
            result = work()
            if self.is_running:
                self.call_from_thread(then, result)

        self.run_worker(run, thread=True)

    @on(link.ThreadFaulted)
    def link_faulted(self, message: link.ThreadFaulted) -> None:
        """A fault in the link thread is a fault of the program."""
        self._end_with(message.error)

    def _handle_exception(self, error: Exception) -> None:
        """A fault in a handler: end, with the edits kept, and let whoever ran the screens tell it."""
        if self.is_headless:
            super()._handle_exception(error)
        else:
            self._end_with(error)

    def _end_with(self, error: BaseException) -> None:
        # the journal of edits is left where it is: the next start offers them
        self.fault = error
        self.exit()

    # --- views and comparison -------------------------------------------------------------------

    def action_view(self, name: str) -> None:
        """Show a view."""
        self.end_sweep()
        self.show_view(name)

    def compare_with(self, source: MachineFile | None) -> None:
        """Show another machine beside this one, or none."""
        self.compared = None if source is None else reckon(source)
        self.now_compared = None
        self.follow()

    def key_hint(self, title: str) -> str:
        """Keys of an action by its title."""
        return next((shown_keys(a.keys) for a in acts_for("") if a.title == title), "")


def _freeze() -> None:
    # what is loaded stays: looking through all of it for circles takes 60 ms, in the middle of a steering step
    gc.collect()
    gc.freeze()
