"""The command line: one lazy table of commands, and the one place where errors become exit statuses.

Exit status: 0 done; 1 the answer is no (a check failed, a table differs); 2 bad input or a refused
operation, with a sentence on stderr; 130 interrupted; 70 a fault in leanmix itself.
"""

from __future__ import annotations

import importlib
import os
import sys

import click

from leanmix import __version__
from leanmix.errors import LeanmixError

__all__ = ["main"]

# (heading, ((name, module, one line of help), ...)) in the order of the job
COMMANDS: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = (
    (
        "Begin",
        (
            ("tour", "tour", "The whole job on a demo machine and the virtual board."),
            ("new", "new", "Write a commented machine file to fill in."),
            ("open", "open", "The screens: one steering position drives everything."),
            ("check", "check", "Check a machine file and show what was understood."),
        ),
    ),
    (
        "Measure",
        (
            ("survey", "survey", "From pin to pin, heights and drawings to coordinates, and what to measure next."),
            ("photo", "photo", "Click the points on a picture, in the browser of this computer."),
        ),
    ),
    (
        "Mechanism",
        (
            ("stops", "stops", "What ends the throw each way, and what removing it gives."),
            ("fit", "fit", "What another arm and other links would give."),
        ),
    ),
    (
        "Lean",
        (
            ("curve", "curve", "Steer to lean to arm to pulse, with its proof."),
            ("stance", "stance", "How far it leans, when it tips, what would buy most."),
            ("compare", "compare", "Two machine files side by side, each change alone."),
            ("weigh", "weigh", "Balance point from scales, a tilt board and a ruler."),
        ),
    ),
    (
        "Drive",
        (
            ("drive", "drive", "A manoeuvre in time: how late it leans, whether and when it tips."),
            ("map", "map", "The fastest pass over any two numbers."),
            ("suggest", "suggest", "The lean ratio and slew that get it through fastest."),
        ),
    ),
    (
        "Board",
        (
            ("table", "table", "Write the proved table as image, hex, header or csv."),
            ("flash", "flash", "Put the table on a board, verified."),
            ("board", "board", "List, identify, read, compare, revert; run a virtual board."),
        ),
    ),
    (
        "On paper",
        (
            ("sheet", "sheet", "The build sheet and templates to size, as PDF, SVG or PNG."),
            ("draw", "draw", "The machine or a part as a drawing for pictures and CAD."),
            ("share", "share", "Pack a whole build into one zip, or look at somebody else's."),
        ),
    ),
    (
        "Bench and history",
        (
            ("bench", "bench", "Read the real machine, hold the model against it, take it in."),
            ("journal", "journal", "What was flashed, read and driven, and the files behind it."),
            ("log", "log", "Drive logs: read, mended, held against the prediction."),
        ),
    ),
)

FAULT_STATUS = 70


class JobGroup(click.Group):
    """Commands listed in the order of the job, imported only when run."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the job."""
        return [name for _, rows in COMMANDS for name, _, _ in rows]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command's module and hand out its `command`."""
        for _, rows in COMMANDS:
            for name, module, _ in rows:
                if name == cmd_name:
                    found = importlib.import_module(f"leanmix.commands.{module}").command
                    return found if isinstance(found, click.Command) else None
        return None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        for heading, rows in COMMANDS:
            with formatter.section(heading):
                formatter.write_dl([(name, text) for name, _, text in rows])


@click.group(
    cls=JobGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="FILE is a machine file, or demo:tarn, demo:wren, demo:moss. Example: leanmix stops demo:tarn",
)
@click.version_option(__version__, prog_name="leanmix", message="%(prog)s %(version)s")
@click.option("-q", "--quiet", is_flag=True, help="Print results only, no talk.")
def leanmix(quiet: bool) -> None:
    """Make a small RC machine lean into its turns, and know what that does.

    From what you measured to a proved servo table on a board.
    """


def _fault(error: Exception) -> None:
    """Report a fault of leanmix's own: one sentence, the details in a file."""
    import tempfile
    import traceback

    text = "".join(traceback.format_exception(error))
    where = "it could not be written down"
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="leanmix-fault-", suffix=".txt", delete=False, encoding="utf-8"
        ) as out:
            out.write(f"leanmix {__version__}, Python {sys.version}\n{text}")
            where = out.name
    except OSError:
        pass
    sys.stderr.write(
        f"leanmix: a fault in leanmix itself ({type(error).__name__}).\n"
        f"If a board was being written, ask it what it holds: leanmix board identify. Details: {where}\n"
    )


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit with its status."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever started us
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115  lives as long as the process
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that lacks µ must not end the job
    try:
        status = leanmix.main(args=arguments, prog_name="leanmix", standalone_mode=False)
        sys.stdout.flush()
    except click.ClickException as error:
        error.show()
        status = error.exit_code
    except click.exceptions.Abort:
        sys.stderr.write("leanmix: stopped.\n")
        status = 130
    except LeanmixError as error:
        # a stranger's file may be quoted in it: its text must not steer the terminal
        words = "".join(c if c.isprintable() or c == "\n" else "?" for c in str(error))
        sys.stderr.write(f"leanmix: {words}\n")
        status = error.exit_status
    except BrokenPipeError:
        # the reader of our output went away; keep the interpreter's own flush from complaining
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    except OSError as error:
        sys.stderr.write(f"leanmix: {error.filename or 'output'}: {error.strerror or error}.\n")
        status = 2
    except Exception as error:  # noqa: BLE001  the one place: a fault of ours is never the user's to read
        _fault(error)
        status = FAULT_STATUS
    sys.exit(status if isinstance(status, int) else 0)
