"""How soon the screens answer: a key to the whole screen redrawn, the first picture, and what they take when idle.

Keys go in where a terminal's do; the answer counts from the display after which no other follows. Model and drawing
are measured apart on the same positions, so that their shares can be told.
"""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from typing import TypeVar

import numpy as np

from leanmix.screens import Screens  # isort: skip - before the terminal library, as where it is started
from textual import events

from leanmix.screens.reckon import moment
from leanmix.screens.sheet import Sheet
from sims.benchmarks.figures import Figure, plain

T = TypeVar("T")

SIZE = (120, 40)
QUIET_S = 0.08


class Timed(Screens):
    """The screens, noting when each display was done."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.shown_at = 0.0
        self.displayed = asyncio.Event()

    def post_display_hook(self) -> None:
        """A display is done."""
        self.shown_at = time.perf_counter()
        self.displayed.set()

    async def another_display(self, within_s: float) -> bool:
        """Wait for a display; False where none comes. Looking again and again would take the threads their time."""
        self.displayed.clear()
        try:
            await asyncio.wait_for(self.displayed.wait(), within_s)
        except TimeoutError:
            return False
        return True


async def _settled(app: Timed) -> None:
    """Wait until everything is worked out."""
    for _ in range(600):
        await asyncio.sleep(0.02)
        done = app.done
        if done is not None and done.serial == app.store.serial and (done.checks or done.troubles):
            return
    raise TimeoutError("the machine was not worked out")


async def _answer_ms(app: Timed, key: str, done: Callable[[], bool], cpu: list[float] | None = None) -> float:
    """From a key to the last display it causes [ms]; processor time of all threads until then goes to `cpu`."""
    busy = time.process_time()
    character = key if len(key) == 1 else None
    start = time.perf_counter()
    app.post_message(events.Key({"+": "plus"}.get(key, key), character))
    while not done():
        if not await app.another_display(10):
            raise TimeoutError(f"no answer to {key}")
    if cpu is not None:
        cpu.append((time.process_time() - busy) * 1e3)
    shown_at = app.shown_at
    while await app.another_display(QUIET_S):
        shown_at = app.shown_at
    return (shown_at - start) * 1e3


def _fresh(work: Callable[[Timed], Awaitable[T]], name: str = "demo:tarn") -> T:
    async def go() -> T:
        with tempfile.TemporaryDirectory() as folder:
            os.environ["LEANMIX_HOME"] = folder
            app = Timed(name)
            async with app.run_test(size=SIZE):
                await _settled(app)
                result = await work(app)
                app.store.close()
            return result

    return asyncio.run(go())


async def _steering(app: Timed, steps: int, cpu: list[float]) -> list[float]:
    out = []
    for i in range(steps):
        key = "left" if (i // 18) % 2 == 0 else "right"
        before = app.now
        out.append(await _answer_ms(app, key, lambda b=before: app.now is not b, cpu))  # type: ignore[misc]
    return out


async def _editing(app: Timed, edits: int, rest_s: float, cpu: list[float]) -> list[float]:
    """Nudge a number of each group in turn; the answer is the ladder, curve and pose of the new text."""
    out = []
    keys = [
        "side.arm.radius_mm",
        "side.mount.ball.out_mm",
        "chassis.cg_up_mm",
        "side.shock.rate_N_per_mm",
        "lean.shape",
    ]
    for i in range(edits):
        app.view.edited_elsewhere(keys[i % len(keys)])
        await asyncio.sleep(rest_s)
        serial = app.store.serial

        def arrived(serial: int = serial) -> bool:
            return app.done is not None and app.done.serial > serial

        out.append(await _answer_ms(app, "+", arrived, cpu))
    return out


def _shares(steps: int) -> tuple[list[float], list[float]]:
    """Model and drawing of a steering step, each by itself [ms]."""

    async def work(app: Timed) -> tuple[list[float], list[float]]:
        model, drawing = [], []
        for i in range(steps):
            app.store.steer_to(-1 + 2 * i / steps)
            start = time.perf_counter()
            if app.shown is not None:
                app.now = moment(app.shown, app.store.position)
            model.append((time.perf_counter() - start) * 1e3)
            start = time.perf_counter()
            for sheet in app.screen.query(Sheet):
                if sheet.display and sheet.size.width:
                    sheet._paint()
            drawing.append((time.perf_counter() - start) * 1e3)
        return model, drawing

    return _fresh(work)


FIRST = """
import time, sys, os
start = time.perf_counter()
import textual.app, textual.screen, textual.widget, textual.containers
textual_s = time.perf_counter() - start
from leanmix.screens import Screens
class Once(Screens):
    def post_display_hook(self):
        views = self.screen_stack[0].query("View.-shown") if self.screen_stack else ()
        if views and views.first()._strips:
            sys.stderr.write(f"{(time.perf_counter() - start - textual_s) * 1e3}")
            sys.stderr.flush()
            os._exit(0)
app = Once("demo:tarn")
app.run(headless=True, size=(120, 40))
"""


def _first_picture_ms() -> float:
    with tempfile.TemporaryDirectory() as folder:
        found = subprocess.run(
            [sys.executable, "-c", FIRST], capture_output=True, text=True, check=True,
            env={**os.environ, "LEANMIX_HOME": folder},
        )  # fmt: skip
    return float(found.stderr.strip())


def _busy_percent(app_work: Callable[[Timed], Awaitable[None]], seconds: float) -> float:
    async def work(app: Timed) -> float:
        await app_work(app)
        await asyncio.sleep(1.0)
        start, cpu = time.perf_counter(), time.process_time()
        await asyncio.sleep(seconds)
        return 100 * (time.process_time() - cpu) / (time.perf_counter() - start)

    return _fresh(work)


async def _nothing(app: Timed) -> None:
    return


async def _watch(app: Timed) -> None:
    app.show_view("board")
    app.ask_link("Opening", "open", "virtual")
    while app.board.identity is None:
        await asyncio.sleep(0.05)
    app.watch_board(True)


def measure(short: bool) -> list[Figure]:
    """See the module's text."""
    steps, edits = (40, 10) if short else (200, 60)
    steering_cpu: list[float] = []
    still_cpu: list[float] = []
    steering = _fresh(lambda app: _steering(app, steps, steering_cpu))
    still = _fresh(lambda app: _editing(app, edits, 1.2, still_cpu))
    burst = _fresh(lambda app: _editing(app, edits, 0.02, []))
    model, drawing = _shares(steps)
    p95 = 95
    return [
        plain("screens: steering step, 95th percentile", [float(np.percentile(steering, p95))], "ms", goal=50,
              peer=f"{steps} keys at 120 × 40"),
        plain("screens: steering step", steering, "ms", peer="the same keys"),
        plain("screens: steering step, processor time", steering_cpu, "ms", peer="the same keys, all threads"),
        plain("screens: of it the model", model, "ms"),
        plain("screens: of it painting all panes", drawing, "ms"),
        plain("screens: edit of a number, 95th percentile", [float(np.percentile(still, p95))], "ms", goal=100,
              peer=f"{edits} nudges, hands still between"),
        plain("screens: edit of a number", still, "ms", peer="the same nudges"),
        plain("screens: edit of a number, processor time", still_cpu, "ms", peer="the same nudges, all threads"),
        plain("screens: edit in a burst, 95th percentile", [float(np.percentile(burst, p95))], "ms",
              peer=f"{edits} nudges, one after another"),
        plain("screens: first picture over importing textual", [_first_picture_ms() for _ in range(3 if short else 7)],
              "ms", goal=700),
        plain("screens: idle", [_busy_percent(_nothing, 4 if short else 10)], "%", goal=2, peer="one core"),
        plain("screens: live board values", [_busy_percent(_watch, 4 if short else 10)], "%", goal=15,
              peer="one core, virtual board in the same process"),
    ]  # fmt: skip
