"""Everything that can be done, once: keys, the list of actions, the help and the docs all read this table."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ACTIONS", "VIEWS", "Act", "ViewName", "acts_for", "shown_keys"]


@dataclass(frozen=True, slots=True)
class ViewName:
    """One view: its name, its keys, and what it answers."""

    name: str
    title: str
    fkey: str
    letter: str
    says: str

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys that show it."""
        return (self.fkey, self.letter) if self.fkey else (self.letter,)


# in the order in which a builder needs them
VIEWS = (
    ViewName("survey", "Survey", "f11", "S", "From distances and heights to points, each with how sure it is."),
    ViewName("measure", "Measure", "f2", "m", "What was measured, how sure it is, and how to measure it."),
    ViewName("weigh", "Weigh", "", "W", "From scales and a tilt to the balance point, with how sure it is."),
    ViewName("fit", "Fit", "f3", "f", "What the parts come to: rod, tooth, guide, torque over the throw."),
    ViewName("limits", "Limits", "f4", "i", "What ends the throw each way, in order, and what removing it gives."),
    ViewName("lean", "Lean", "f5", "l", "How much lean for how much steer, and what the arm then does."),
    ViewName("tip", "Tip", "f6", "t", "When it goes over, and what would buy most."),
    ViewName("drive", "Drive", "f7", "d", "The machine in time: manoeuvres and their traces."),
    ViewName("board", "Board", "f8", "b", "The mixer board: find, compare, flash, revert, watch."),
    ViewName("bench", "Bench", "f9", "e", "The real machine on its stand: jog, read, and correct the file."),
    ViewName("history", "History", "f10", "h", "What was flashed, read and driven, and the files behind it."),
)


@dataclass(frozen=True, slots=True)
class Act:
    """One action.

    Attributes
    ----------
    name : str
        The method ``action_<name>`` that does it, of the app or of the view.
    keys : tuple of str
        As the terminal library names them.
    title : str
        In the list of actions.
    says : str
        What it does, in a sentence.
    where : str
        "" everywhere, or the view that has it.
    """

    name: str
    keys: tuple[str, ...]
    title: str
    says: str
    where: str = ""


ACTIONS = (
    Act("steer(0.05)", ("left",), "Steer left", "One step to the left; everything follows."),
    Act("steer(-0.05)", ("right",), "Steer right", "One step to the right."),
    Act("steer(0.005)", ("ctrl+left", "comma"), "Steer left a little", "A tenth of a step to the left."),
    Act("steer(-0.005)", ("ctrl+right", "full_stop"), "Steer right a little", "A tenth of a step to the right."),
    Act("lock(1)", ("home",), "Full left lock", "Steering all the way to the left."),
    Act("lock(-1)", ("end",), "Full right lock", "Steering all the way to the right."),
    Act("centre", ("space",), "Let go of the steering", "Steering straight, no hand on the arm."),
    Act("sweep", ("s",), "Sweep lock to lock", "Steer slowly from lock to lock and back; any key ends it."),
    Act("turn(0.05)", ("right_square_bracket",), "Turn harder", "0.05 g more lateral acceleration."),
    Act("turn(-0.05)", ("left_square_bracket",), "Turn less hard", "0.05 g less; at 0 it stands still."),
    Act("undo", ("u", "ctrl+z"), "Undo", "Take back the last edit."),
    Act("redo", ("r", "ctrl+y"), "Redo", "Bring back the edit taken back last."),
    Act("save", ("ctrl+s",), "Save", "Save the machine file."),
    Act("save_as", ("w",), "Save under a name", "Save the machine file under another name."),
    Act("open", ("o", "ctrl+o"), "Open", "Open a machine file, one of the lately opened, or a demo machine."),
    Act("compare", ("c",), "Compare with a file", "Show another machine's figures beside this one's; again to end."),
    Act("findings", ("exclamation_mark",), "What is wrong or odd", "All errors and remarks in one list."),
    Act("picture", ("p",), "Picture or figures out", "This view as SVG, PNG or CSV, to a file or the clipboard."),
    Act("scene", ("z",), "Change what fills the screen", "View beside the machine, view alone, machine alone."),
    Act("look", ("k",), "Change the look", "Dark, light, or without colour."),
    Act("walk", ("f12",), "Tour", "From a demo machine to a flashed virtual board, step by step."),
    Act("actions", ("a",), "All actions", "This list; type to narrow it."),
    Act("help", ("question_mark", "f1"), "Help", "What is on the screen, its keys and words."),
    Act("leave", ("q", "ctrl+q"), "Quit", "Leave; asks when something is not saved."),
    # measure
    Act("change", ("enter",), "Change the value", "Type a value, if you like with ± tolerance and source.", "measure"),
    Act("move(-1)", ("up",), "Row up", "", "measure"),
    Act("move(1)", ("down",), "Row down", "", "measure"),
    Act("move_group(-1)", ("pageup",), "Group up", "To the heading before.", "measure"),
    Act("move_group(1)", ("pagedown",), "Group down", "To the next heading.", "measure"),
    Act("nudge(1)", ("plus", "equals_sign"), "Nudge up", "A small step up; what it changes stands below.", "measure"),
    Act("nudge(-1)", ("minus",), "Nudge down", "A small step down.", "measure"),
    Act("nudge(10)", ("greater_than_sign",), "Nudge up far", "A large step up.", "measure"),
    Act("nudge(-10)", ("less_than_sign",), "Nudge down far", "A large step down.", "measure"),
    Act("leave_out", ("delete",), "Leave out", "Take the entry out of the file, where it may be.", "measure"),
    Act("part_sides", ("x",), "One side only", "Give left and right their own value; again to join them.", "measure"),
    Act("find", ("slash",), "Find", "Show only rows that hold what you type.", "measure"),
    # survey
    Act("move(-1)", ("up",), "Reading up", "", "survey"),
    Act("move(1)", ("down",), "Reading down", "", "survey"),
    Act("move(-10)", ("pageup",), "Page up", "", "survey"),
    Act("move(10)", ("pagedown",), "Page down", "", "survey"),
    Act("type_reading", ("enter",), "Type a reading", "A new one, or the chosen one anew; solved at once.", "survey"),
    Act("type_next", ("n",), "Take the next reading advised", "Its points are there: type what it reads.", "survey"),
    Act("ask_other", ("tab",), "Ask something else", "First stop left or right, lean, or tip limit.", "survey"),
    Act("show_next", ("v",), "Other page", "Readings, points, which is which, what moved.", "survey"),
    Act("set_aside", ("x",), "Leave the reading out", "Or count it again.", "survey"),
    Act("remove", ("delete",), "Remove the reading", "Out of the readings; u brings it back.", "survey"),
    Act("take_in", ("y",), "Take it into the file", "All that is held, with tolerances, as one edit.", "survey"),
    # weigh
    Act("move(-1)", ("up",), "Row up", "", "weigh"),
    Act("move(1)", ("down",), "Row down", "", "weigh"),
    Act("type_reading", ("enter",), "Type a reading", "Grams, degrees or millimetres; ± a tolerance.", "weigh"),
    Act("leave_out", ("delete",), "Leave the reading out", "As if it was not taken.", "weigh"),
    Act("take_in", ("y",), "Take it into the file", "What was weighed, with tolerances, as one edit.", "weigh"),
    # fit
    Act("show_next", ("v",), "Other chart", "Torque, push, link angle, travel, clearance, shock, speed.", "fit"),
    # limits
    Act("move(-1)", ("up",), "Stop up", "", "limits"),
    Act("move(1)", ("down",), "Stop down", "", "limits"),
    Act("go", ("enter",), "Go to this stop", "Hold the arm there and look; any steering lets go.", "limits"),
    Act("other_way", ("tab",), "Other way", "From the stops leaning left to those leaning right.", "limits"),
    # lean
    Act("knots", ("n",), "Own knots", "Turn the curve into knots to move; again to go back to a shape.", "lean"),
    Act("pick(1)", ("tab",), "Next knot", "", "lean"),
    Act("pick(-1)", ("shift+tab",), "Knot before", "", "lean"),
    Act("lift(1)", ("up",), "Knot up", "Ask for more there.", "lean"),
    Act("lift(-1)", ("down",), "Knot down", "Ask for less there.", "lean"),
    Act("shift(1)", ("less_than_sign",), "Knot to the left", "", "lean"),
    Act("shift(-1)", ("greater_than_sign",), "Knot to the right", "", "lean"),
    Act("type_knot", ("enter",), "Type the knot's value", "Degrees asked at this steering position.", "lean"),
    Act("add_knot", ("plus", "equals_sign"), "Add a knot here", "At the present steering position.", "lean"),
    Act("drop_knot", ("delete", "minus"), "Remove the knot", "", "lean"),
    Act("link_sides", ("x",), "Left and right alike", "Whether a knot's twin on the other side moves too.", "lean"),
    Act("show_next", ("v",), "Other chart", "Lean, arm, or pulse.", "lean"),
    # tip
    Act("other_turn", ("tab",), "Other turn", "Turning left or turning right.", "tip"),
    Act("list", ("g",), "What buys most", "Each thing a builder can change, the best first.", "tip"),
    Act("show_next", ("v",), "Other ground", "The next of the machine file's surfaces.", "tip"),
    # drive
    Act("next_manoeuvre(1)", ("tab", "down"), "Next manoeuvre", "", "drive"),
    Act("next_manoeuvre(-1)", ("shift+tab", "up"), "Manoeuvre before", "", "drive"),
    Act("drive", ("enter",), "Drive it", "With lean, without, and the machine compared with.", "drive"),
    Act(
        "fastest", ("j",), "Fastest pass", "Drive it at rising speeds until it fails; again to end the search.", "drive"
    ),
    Act("faster(1)", ("plus", "equals_sign"), "Faster", "0.5 m/s more.", "drive"),
    Act("faster(-1)", ("minus",), "Slower", "0.5 m/s less.", "drive"),
    Act("ground", ("g",), "Other ground", "The next of the machine file's surfaces.", "drive"),
    Act("show_next", ("v",), "Other traces", "Lean, load, lateral, arm, yaw, off the way.", "drive"),
    # board
    Act("find_board", ("enter",), "Find a board", "List the ports and open one.", "board"),
    Act("flash", ("g",), "Flash", "Store this machine's proved table on the board, verified.", "board"),
    Act("go_back", ("y",), "Revert", "Have the board run the table it held before.", "board"),
    Act("watch", ("v",), "Watch live", "Live values ten times a second; again to stop.", "board"),
    Act("follow", ("j",), "Follow the receiver", "The steering position goes with the transmitter's wheel.", "board"),
    Act("close_board", ("x",), "Let the board go", "Close the port.", "board"),
    # bench
    Act("go_on", ("enter",), "Begin the walk, or answer", "Cautions first; then step by step.", "bench"),
    Act("say_yes", ("y",), "Yes", "It is so.", "bench"),
    Act("say_no", ("n",), "No, or leave it out", "It is not so; or this reading is left out.", "bench"),
    Act("stop_now", ("j",), "STOP the servo", "While it moves: it backs off at once; space does it too.", "bench"),
    Act("end_walk", ("delete",), "End the walk", "What was read until then is kept.", "bench"),
    Act("fit_readings", ("g",), "Hold the readings against the file", "What the last walk's readings say.", "bench"),
    Act("take_in", ("x",), "Take it into the file", "What the readings found, as one edit.", "bench"),
    # history
    Act("move(-1)", ("up",), "Entry up", "", "history"),
    Act("move(1)", ("down",), "Entry down", "", "history"),
    Act("move(-15)", ("pageup",), "Page up", "", "history"),
    Act("move(15)", ("pagedown",), "Page down", "", "history"),
    Act("restore", ("enter",), "Its machine file", "Show or bring back the machine file behind the entry.", "history"),
    Act("file_on_board", ("y",), "File on the board", "The machine file that made the open board's table.", "history"),
    Act("show_next", ("v",), "Other kind", "Flashes, readings, drives, edits, or everything.", "history"),
    Act("note_drive", ("n",), "Drive note", "Write down what a drive was like.", "history"),
)


def acts_for(where: str) -> tuple[Act, ...]:
    """Actions of a view, or those everywhere for ""."""
    return tuple(a for a in ACTIONS if a.where == where)


_SHOWN = {
    "left": "←", "right": "→", "up": "↑", "down": "↓", "comma": ",", "full_stop": ".", "space": "space",
    "right_square_bracket": "]", "left_square_bracket": "[", "exclamation_mark": "!", "question_mark": "?",
    "plus": "+", "equals_sign": "=", "minus": "−", "greater_than_sign": ">", "less_than_sign": "<", "slash": "/",
    "pageup": "PgUp", "pagedown": "PgDn", "delete": "Del", "enter": "Enter", "tab": "Tab", "home": "Home",
    "end": "End", "escape": "Esc", "backspace": "⌫",
}  # fmt: skip


def shown_keys(keys: tuple[str, ...]) -> str:
    """Keys as people read them."""

    def one(key: str) -> str:
        if len(key) == 1 and key.isupper():
            return f"Shift+{key}"
        held, _, last = key.rpartition("+")
        name = _SHOWN.get(last, last.upper() if last[:1] == "f" and last[1:].isdigit() else last)
        return f"{held.title()}+{name}" if held else name

    return " ".join(one(k) for k in keys)
