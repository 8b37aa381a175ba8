"""What the application does on a key or from the list of actions: files, undo, pictures, help."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, cast

from leanmix.errors import LeanmixError
from leanmix.machine import DEMOS, load, template
from leanmix.screens.actions import VIEWS, acts_for, shown_keys
from leanmix.screens.boxes import AskBox, ListBox, Row
from leanmix.screens.helping import help_box
from leanmix.screens.looks import LOOKS
from leanmix.screens.recent import recent_files, remember_setting
from leanmix.screens.recovery import LeftBehind, left_behind
from leanmix.screens.walk import WalkPane
from leanmix.words import count

if TYPE_CHECKING:
    from leanmix.screens.app import Screens

__all__ = ["Doings"]

NEW = "new:"


class Doings:
    """Actions of the application; mixed into it, so that it stays a page long."""

    @property
    def _app(self) -> Screens:
        return cast("Screens", self)

    # --- edits ----------------------------------------------------------------------------------

    def edited(self) -> None:
        """The text has changed."""
        app = self._app
        app.quiet()
        app.ask_for_results()
        if app.store.journal.trouble:
            app.say(app.store.journal.trouble, "warn")
        # what hangs on the machine follows with the result
        app.repaint_words()

    def action_undo(self) -> None:
        """Take back the last edit."""
        app = self._app
        edit = app.store.undo()
        if edit is None:
            app.say("Nothing to undo.", "faint")
            return
        self.edited()
        app.view.edited_elsewhere(edit.key)
        app.say(f"Undone: {edit.what}.")

    def action_redo(self) -> None:
        """Bring back the edit taken back last."""
        app = self._app
        edit = app.store.redo()
        if edit is None:
            app.say("Nothing to redo.", "faint")
            return
        self.edited()
        app.view.edited_elsewhere(edit.key)
        app.say(f"Done again: {edit.what}.")

    # --- files ----------------------------------------------------------------------------------

    def action_save(self) -> None:
        """Save."""
        app = self._app
        if app.store.path is None:
            self.action_save_as()
            return
        self._save(None, over=False)

    def _save(self, path: Path | None, *, over: bool) -> bool:
        app = self._app
        try:
            saved = app.store.save(path, over=over)
        except LeanmixError as error:
            if "is there already" in str(error) or "changed by another" in str(error):
                self._ask_over(path, str(error))
            else:
                app.say_error(error)
            return False
        app.say(f"Saved {saved}.", "good")
        app.repaint()
        return True

    def _ask_over(self, path: Path | None, why: str) -> None:
        rows = [Row("no", "Leave it as it is"), Row("yes", "Write over it", ink="bad")]
        box = ListBox("Write over?", rows, why)

        def answered(answer: str | None) -> None:
            if answer == "yes":
                self._save(path, over=True)

        self._app.ask(box, answered)

    def action_save_as(self) -> None:
        """Save under a name."""
        app = self._app
        name = (
            str(app.store.path) if app.store.path else f"{app.store.good.machine.name.lower().replace(' ', '-')}.toml"
        )

        def answered(answer: str | None) -> None:
            if answer and answer.strip():
                self._save(Path(answer.strip()).expanduser(), over=False)

        app.ask(AskBox("Save under a name", "File to write:", name), answered)

    def action_open(self) -> None:
        """Choose what to open."""
        self._when_safe(self._choose_file)

    def _choose_file(self) -> None:
        app = self._app
        rows = [
            *(Row(p, p, "lately") for p in recent_files()),
            Row(NEW, "A new machine: every number a guess to replace", "new"),
            *(Row(f"demo:{name}", f"{name.title()}, an invented machine to play with", "demo") for name in DEMOS),
            Row("path:", "Type the name of a file …"),
        ]

        def answered(answer: str | None) -> None:
            if answer == "path:":
                app.ask(AskBox("Open", "Machine file to open:"), self.open_named)
            else:
                self.open_named(answer)

        app.ask(ListBox("Open", rows), answered)

    def open_named(self, name: str | None) -> None:
        """Open a file, a demo, or a new machine."""
        app = self._app
        if not name:
            return
        try:
            if name == NEW:
                app.store.start_from(template(), "new machine")
            else:
                app.store.open(str(Path(name).expanduser()) if not name.startswith("demo:") else name)
        except LeanmixError as error:
            app.say_error(error)
            return
        app.before_edit = None
        self.edited()
        app.view.edited_elsewhere("")
        app.say(f"Opened {app.store.name}.")

    def _when_safe(self, go_on: Callable[[], None]) -> None:
        """Go on at once when nothing is unsaved, else ask first."""
        app = self._app
        if not app.store.unsaved:
            go_on()
            return
        rows = [
            Row("stay", "Go back to it"),
            Row("save", "Save it, then go on"),
            Row("drop", f"Go on without {count(app.store.edits, 'edit')}", ink="bad"),
        ]

        def answered(answer: str | None) -> None:
            if answer == "drop" or (answer == "save" and self._saved_first()):
                go_on()

        app.ask(ListBox("Not saved", rows, f"{app.store.name} has edits that are not saved."), answered)

    def _saved_first(self) -> bool:
        if self._app.store.path is None:
            self.action_save_as()
            return False
        return self._save(None, over=False)

    def action_leave(self) -> None:
        """Leave."""
        self._when_safe(self._leave)

    def _leave(self) -> None:
        self._app.store.close()
        self._app.exit()

    # --- after a crash --------------------------------------------------------------------------

    def greet(self) -> None:
        """On start: edits left behind by a crash are offered first."""
        lost = left_behind()
        if lost:
            self._offer(lost)

    def _offer(self, lost: tuple[LeftBehind, ...]) -> None:
        app = self._app
        rows = [Row(str(i), f"Take up {one.name}", count(len(one.edits), "edit")) for i, one in enumerate(lost)]
        rows += [Row("later", "Leave them for another time"), Row("drop", "Throw them away", ink="bad")]

        def answered(answer: str | None) -> None:
            if answer == "drop":
                for one in lost:
                    one.discard()
            elif answer is not None and answer.isdigit():
                try:
                    app.store.recover(lost[int(answer)])
                except LeanmixError as error:
                    app.say_error(error)
                    return
                self.edited()
                app.say(f"Taken up where it ended: {app.store.name}.", "good")

        says = "leanmix ended without saving these. Nothing is lost: the edits were kept as they were made."
        app.ask(ListBox("Edits left behind", rows, says), answered)

    # --- beside, looks, lists -------------------------------------------------------------------

    def action_compare(self) -> None:
        """Begin or end a comparison."""
        app = self._app
        if app.compared is not None:
            app.compare_with(None)
            return
        rows = [
            *(Row(p, p, "lately") for p in recent_files()),
            *(Row(f"demo:{name}", name.title(), "demo") for name in DEMOS),
        ]
        if app.store.unsaved:
            rows.insert(0, Row("saved", "This machine as it was saved", "before the edits"))

        def answered(answer: str | None) -> None:
            if answer is None:
                return
            try:
                source = app.store.as_saved() if answer == "saved" else load(answer)
            except LeanmixError as error:
                app.say_error(error)
                return
            app.compare_with(source)

        app.ask(ListBox("Compare with", rows, "Its figures and its outline stand beside this machine's."), answered)

    def action_look(self) -> None:
        """The next look."""
        app = self._app
        if app.no_color:
            app.say("NO_COLOR is set: the look stays without colour.", "faint")
            return
        names = [look.name for look in LOOKS]
        app.theme = names[(names.index(app.theme) + 1) % len(names)] if app.theme in names else names[0]
        remember_setting("look", app.theme)
        app.repaint()
        app.say(f"Look: {app.theme}.")

    def action_scene(self) -> None:
        """View beside the machine, view alone, machine alone."""
        screen = self._app.screen_stack[0]
        if screen.has_class("-view-only"):
            screen.remove_class("-view-only")
            screen.add_class("-scene-only")
        elif screen.has_class("-scene-only"):
            screen.remove_class("-scene-only")
        else:
            screen.add_class("-view-only")
        self._app.repaint()

    def action_findings(self) -> None:
        """Everything wrong or odd; Enter goes to its field."""
        app = self._app
        wrong = [*app.store.findings]
        rows = [Row(f.key, f"✕ {f.key}: {f.what} {f.todo}", "", "bad") for f in wrong]
        if app.done is not None:
            rows += [Row("", f"✕ {t}", "", "bad") for t in app.done.troubles]
            rows += [Row("", f"✕ {c.name}: {c.figure}", "proof", "bad") for c in app.done.checks if not c.passed]
            held = app.done.held
            rows += [
                Row("", f"✕ {c.name}: {c.figure}", "flashed table", "bad")
                for c in (held.checks if held is not None else ())
                if not c.passed
            ]
        rows += [Row(f.key, f"▲ {f.key}: {f.what} {f.todo}", "", "warn") for f in app.store.notes()]
        if not rows:
            app.say("Nothing is wrong or odd.", "good")
            return

        def answered(answer: str | None) -> None:
            if answer:
                app.show_view("measure")
                app.view.edited_elsewhere(answer)

        app.ask(ListBox("Wrong or odd", rows, "Enter goes to the number concerned."), answered)

    def action_actions(self) -> None:
        """Everything that can be done here."""
        app = self._app
        here = app.view.name_of_view
        rows = [Row(a.name, a.title, shown_keys(a.keys)) for a in (*acts_for(here), *acts_for(""))]
        rows += [Row(f"view('{v.name}')", f"View: {v.title}. {v.says}", shown_keys(v.keys)) for v in VIEWS]

        def answered(answer: str | None) -> None:
            if answer is not None:
                app.do(answer, own=any(a.name == answer for a in acts_for(here)))

        app.ask(ListBox("All actions", rows), answered)

    def action_help(self) -> None:
        """What is on the screen."""
        app = self._app
        app.ask(help_box(app.view))

    def action_picture(self) -> None:
        """This view out as a picture or as figures."""
        from leanmix.screens.pictures import offer_pictures

        offer_pictures(self._app)

    def action_walk(self) -> None:
        """Begin the tour on a demo machine, or end it."""
        pane = self._app.screen_stack[0].query_one(WalkPane)
        if pane.step >= 0:
            pane.end()
            self._app.repaint()
        else:
            self._when_safe(self._begin_walk)

    def _begin_walk(self) -> None:
        app = self._app
        if app.store.name != "demo:tarn" or app.store.edits:
            self.open_named("demo:tarn")
        app.show_view("measure")
        app.steer_to(0.0)
        app.screen_stack[0].query_one(WalkPane).begin()
        app.repaint()
