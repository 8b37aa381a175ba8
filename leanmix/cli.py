"""The command line: one lazy table of commands, and the one place where errors become exit statuses.

The statuses and their meanings are in `leanmix.commands._facts`, for the help, the manual page and the README alike.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import os
import sys
from typing import TYPE_CHECKING

import click

from leanmix import __version__
from leanmix.commands._facts import EXIT_STATUSES, FAULT_STATUS, FILE_WORDS, STREAM_WORDS
from leanmix.errors import LeanmixError, calm

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

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
    (
        "leanmix itself",
        (
            ("completion", "completion", "What the Tab key offers, in bash, zsh and fish."),
            ("man", "man", "The manual page, from the same words as the help."),
        ),
    ),
)

# as in leanmix.commands._completion, which a command that completes nothing need not load
COMPLETE = "_LEANMIX_COMPLETE"


def _hush(ctx: click.Context, _: click.Parameter, value: bool) -> None:
    if value:
        ctx.find_root().params["quiet"] = True


def _hushable(command: click.Command) -> click.Command:
    """Let ``--quiet`` stand behind the command's name too, and behind that of every command in a group."""
    if isinstance(command, click.Group):
        for inner in command.commands.values():
            _hushable(inner)
    elif not any(p.name == "quiet" for p in command.params):
        words = "Print results only, no talk."
        command.params.append(
            click.Option(["-q", "--quiet"], is_flag=True, expose_value=False, callback=_hush, help=words)
        )
    return command


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
                    return _hushable(found) if isinstance(found, click.Command) else None
        return None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; where there is none of that name, say which was most likely meant."""
        import difflib

        names = self.list_commands(ctx)
        if args[0] not in names and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], names, 1)
            todo = f"Is {near[0]} meant?" if near else "leanmix --help lists them."
            raise click.UsageError(f"{args[0]!r} is not a command. {todo}", ctx)
        return super().resolve_command(ctx, args)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem[str]]:
        """Offer the commands with their lines of help, and the options, without importing a command."""
        from click.shell_completion import CompletionItem

        rows = [(name, text) for _, found in COMMANDS for name, _, text in found]
        offered = [CompletionItem(name, help=text) for name, text in rows if name.startswith(incomplete)]
        return [*offered, *click.Command.shell_complete(self, ctx, incomplete)]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        for heading, rows in COMMANDS:
            with formatter.section(heading):
                formatter.write_dl([(name, text) for name, _, text in rows])


EPILOG = "\n\n".join(
    (
        f"{FILE_WORDS} {STREAM_WORDS}",
        "\b\nExit status:\n" + "\n".join(f"  {status:<5}{words}" for status, words in EXIT_STATUSES),
        "Example: leanmix stops demo:tarn",
    )
)


@click.group(
    cls=JobGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=EPILOG,
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
    wanted = os.environ.get(COMPLETE)
    if wanted:
        from leanmix.commands._completion import answer

        sys.exit(answer(leanmix, wanted))
    sys.exit(_status(sys.argv[1:] if arguments is None else arguments))


def _status(arguments: list[str]) -> int:
    """Run, and turn whatever ends it into an exit status and a sentence."""
    try:
        # not click's own main, which ends a pipe that nobody reads with 1: here that is an answer
        with leanmix.make_context("leanmix", list(arguments)) as context:
            leanmix.invoke(context)
        sys.stdout.flush()
    except click.exceptions.Exit as ended:
        return _flushed(ended.exit_code)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.exceptions.Abort, KeyboardInterrupt, EOFError):
        sys.stderr.write("leanmix: stopped.\n")
        return 130
    except LeanmixError as error:
        # a stranger's file may be quoted in it: its text must not steer the terminal
        sys.stderr.write(f"leanmix: {calm(str(error))}\n")
        return error.exit_status
    except OSError as error:
        return _refused(error)
    except Exception as error:  # noqa: BLE001  the one place: a fault of ours is never the user's to read
        _fault(error)
        return FAULT_STATUS
    return 0


def _flushed(status: int) -> int:
    try:
        sys.stdout.flush()
    except OSError as error:
        return _refused(error) or status
    return status


def _refused(error: OSError) -> int:
    """What the system refused, in a sentence; a pipe that nobody reads any more is no trouble at all."""
    if error.filename is None:
        # it was the output: what is left in its buffer must not make the interpreter complain at the end
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if error.errno == errno.EPIPE:
        return 0
    full = " Is the disk full?" if error.errno == errno.ENOSPC else ""
    sys.stderr.write(f"leanmix: {error.filename or 'output'}: {error.strerror or error}.{full}\n")
    return 2
