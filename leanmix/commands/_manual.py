"""The manual page, in roff, out of the very words that ``--help`` shows."""

from __future__ import annotations

import inspect
import re
import textwrap
from collections.abc import Iterator

import click

from leanmix import __version__
from leanmix.commands._facts import CAUTION, ENVIRONMENT, EXIT_STATUSES, FILE_WORDS, FILES, STREAM_WORDS

__all__ = ["manual"]

# of this version: goes up with it
_DATE = "2026-11-25"
_HEAD = f'.TH LEANMIX 1 {_DATE} "leanmix {__version__}" "leanmix"\n'


def _safe(text: str) -> str:
    """Text that roff shows as it stands: no escapes, no requests, plain hyphens and quotes."""
    out = text.replace("\\", "\\[rs]").replace("-", "\\-").replace("'", "\\[aq]").replace("`", "\\[ga]")
    out = out.replace("^", "\\[ha]").replace("~", "\\[ti]").replace('"', "\\[dq]")
    return re.sub(r"^\.", r"\\&.", out, flags=re.MULTILINE)


def _joined(text: str) -> str:
    # roff sets lines anew; short ones are for whoever reads the source
    return "\n".join(_safe(line) for line in textwrap.wrap(text, 72, break_long_words=False, break_on_hyphens=False))


def _tagged(rows: Iterator[tuple[str, str]] | list[tuple[str, str]]) -> Iterator[str]:
    for tag, text in rows:
        yield f".TP\n\\fB{_safe(tag)}\\fR\n{_joined(text or '–')}\n"


def _paragraphs(text: str) -> Iterator[str]:
    """A help text's paragraphs; what ``\\b`` keeps in lines stays in lines, and so does an example."""
    for i, block in enumerate(re.split(r"\n\s*\n", inspect.cleandoc(text))):
        if i:
            yield ".PP\n"  # the first stands right below its heading
        if block.startswith("\b"):
            lines = "\n".join(_safe(line) for line in block.lstrip("\b\n").splitlines())
            yield f".EX\n{lines}\n.EE\n"
        elif block.startswith("Example: "):
            line = _safe(" ".join(block.removeprefix("Example: ").split()))
            yield f"Example:\n.RS 4\n.EX\n{line}\n.EE\n.RE\n"
        else:
            yield f"{_joined(block)}\n"


def _command(command: click.Command, context: click.Context) -> Iterator[str]:
    usage = " ".join((context.command_path, *command.collect_usage_pieces(context)))
    yield f'.SS "{_safe(usage)}"\n'
    yield from _paragraphs(command.help or "")
    # --help and --quiet stand once, above
    options = [p for p in command.get_params(context) if isinstance(p, click.Option)]
    records = [p.get_help_record(context) for p in options if not {"--help", "--quiet"} & set(p.opts)]
    yield from _tagged([r for r in records if r])
    if isinstance(command, click.Group):
        for _, inner, below in _inside(command, context):
            yield from _command(inner, below)


def _inside(group: click.Group, context: click.Context) -> Iterator[tuple[str, click.Command, click.Context]]:
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        if found is not None:
            yield name, found, click.Context(found, info_name=name, parent=context)


def manual(tool: click.Group) -> str:
    """Write the whole manual page.

    Parameters
    ----------
    tool : click.Group
        The tool with all its commands.

    Returns
    -------
    str
        roff with the man macros; show it with ``man -l FILE``.
    """
    context = click.Context(tool, info_name="leanmix")
    about = inspect.cleandoc(tool.help or "").splitlines()
    out = [
        _HEAD,
        f".SH NAME\nleanmix \\- {_safe(about[0].rstrip('.')[0].lower() + about[0].rstrip('.')[1:])}\n",
        f".SH SYNOPSIS\n.B leanmix\n{_safe(' '.join(tool.collect_usage_pieces(context)))}\n",
        f".SH DESCRIPTION\n{_joined(' '.join((*about[1:], FILE_WORDS, STREAM_WORDS)))}\n",
        ".SH OPTIONS\n",
        *_tagged([r for p in tool.get_params(context) if (r := p.get_help_record(context))]),
        ".SH COMMANDS\n",
    ]
    for _, inner, below in _inside(tool, context):
        out += _command(inner, below)
    out += [".SH EXIT STATUS\n", *_tagged([(str(status), f"{words}.") for status, words in EXIT_STATUSES])]
    out += [".SH ENVIRONMENT\n", *_tagged(list(ENVIRONMENT)), ".SH FILES\n", *_tagged(list(FILES))]
    out += [f".SH CAUTIONS\n{_joined(CAUTION)}\n"]
    return "".join(out)
