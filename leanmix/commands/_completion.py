"""What the Tab key offers: scripts for bash, zsh and fish, and the answers to them.

Everything here must be quick, as somebody waits with a finger on the key: no stage is imported, names are read off
the disk.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import click
from click.shell_completion import (
    BashComplete,
    CompletionItem,
    FishComplete,
    ShellComplete,
    ZshComplete,
    add_completion_class,
    split_arg_string,
)

import leanmix

__all__ = ["MACHINE", "MANOEUVRE", "PORT", "SHELLS", "VARIABLE", "answer", "script"]

SHELLS = ("bash", "zsh", "fish")  # and _KINDS below
VARIABLE = "_LEANMIX_COMPLETE"
_PACKAGE = Path(leanmix.__file__).parent

# bash cuts words at colons too: what it has already (demo:) is taken off again. $1 is the command as it was typed.
_BASH = r"""%(complete_func)s() {
    local answer line word had="" files="" ending="" IFS=$'\n'
    COMPREPLY=()
    answer=$(COMP_LINE="${COMP_LINE:0:COMP_POINT}" %(complete_var)s=bash_complete "$1") || return
    word=${answer%%%%$'\n'*}
    [[ $COMP_WORDBREAKS == *:* ]] && had=${word%%"${word##*:}"}
    for line in $(printf '%%s\n' "$answer" | tail -n +2); do
        case $line in
            plain,*) line=${line#plain,}; COMPREPLY+=("${line#"$had"}") ;;
            file,*) files=yes; ending=${line#file,} ;;
        esac
    done
    if [ "$files" ]; then
        for line in $(compgen -f -- "$word"); do
            if [[ ${line##*/} == .* && ${word##*/} != .* ]]; then continue; fi
            if [ -d "$line" ]; then line=$line/; compopt -o nospace
            elif [[ $line != *"$ending" ]]; then continue
            fi
            COMPREPLY+=("${line#"$had"}")
        done
    fi
    [[ ${COMPREPLY[0]} == *: || ${COMPREPLY[0]} == *= ]] && compopt -o nospace
    return 0
}
complete -o nosort -F %(complete_func)s %(prog_name)s
"""


class _OrFiles(ShellComplete):
    """Offers files where nothing better is known, as shells do."""

    def get_completions(self, args: list[str], incomplete: str) -> list[CompletionItem[str]]:
        found = super().get_completions(args, incomplete)
        if found or incomplete.startswith("-"):
            return found
        return [CompletionItem(incomplete.rpartition("=")[2], type="file")]


class _WholeWord(_OrFiles):
    """For shells that put the answer in place of the whole word, option and all."""

    def get_completions(self, args: list[str], incomplete: str) -> list[CompletionItem[str]]:
        found = super().get_completions(args, incomplete)
        option, equals, _ = incomplete.partition("=")
        if not equals or not option.startswith("-"):
            return found
        return [CompletionItem(f"{option}={i.value}", help=i.help) for i in found if i.type == "plain"]


class _Zsh(_WholeWord, ZshComplete):
    pass


class _Fish(_WholeWord, FishComplete):
    def format_completion(self, item: CompletionItem[str]) -> str:
        # the script that reads it cuts at commas
        item.help = item.help and item.help.replace(", ", "; ").replace(",", ";")
        return super().format_completion(item)


class _Bash(_OrFiles, BashComplete):
    """Words off the whole line, so that demo:tarn is one; the first line of the answer is the word at hand."""

    source_template = _BASH

    def source(self) -> str:
        """Fill in the script, whatever bash is here: it is for the shell that reads it."""
        return self.source_template % self.source_vars()

    def get_completion_args(self) -> tuple[list[str], str]:
        line = os.environ["COMP_LINE"]
        words = split_arg_string(line)[1:]
        if line[-1:].isspace() or not words:
            return words, ""
        return words[:-1], words[-1]

    def complete(self) -> str:
        word = self.get_completion_args()[1]
        # an option's value after = is a word of its own to bash
        return f"{word.partition('=')[2] if word.startswith('-') else word}\n{super().complete()}"

    def format_completion(self, item: CompletionItem[str]) -> str:
        return f"file,{item.ending or ''}" if item.type == "file" else f"plain,{item.value}"


class Offered(click.types.StringParamType):
    """Text that is taken as it is, and completed from names that can be had quickly.

    Parameters
    ----------
    name : str
        What it is.
    names : callable
        Gives the names and a word on each.
    ending : str or None
        Ending of the files that will do as well; None for no files.
    missing : str
        What to do where it was not given; ``{names}`` in it stands for the names.
    """

    def __init__(
        self, name: str, names: Callable[[], list[tuple[str, str]]], ending: str | None = None, missing: str = ""
    ) -> None:
        self.name = name
        self._names = names
        self._ending = ending
        self._missing = missing

    def get_missing_message(self, param: click.Parameter, ctx: click.Context | None = None) -> str | None:
        """What to do where it was not given."""
        if "{names}" not in self._missing:
            return self._missing or None
        return self._missing.format(names=", ".join(name for name, _ in self._names()))

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem[str]]:
        """Offer the names that begin so, and files."""
        found = [CompletionItem(name, help=says) for name, says in self._names() if name.startswith(incomplete)]
        if self._ending is not None:
            found.append(CompletionItem(incomplete, type="file", ending=self._ending))
        return found


def _stems(folder: Path) -> list[str]:
    return sorted(p.stem for p in folder.glob("*.toml"))


def _demos() -> list[tuple[str, str]]:
    return [(f"demo:{name}", "an invented machine") for name in _stems(_PACKAGE / "machine" / "demo")]


def _manoeuvres() -> list[tuple[str, str]]:
    return [(name, "a manoeuvre") for name in _stems(_PACKAGE / "response" / "manoeuvres")]


def _ports() -> list[tuple[str, str]]:
    # not the board's own list of ports: importing it takes longer than the whole answer
    from serial.tools import list_ports

    return [("virtual", "a virtual board"), *((p.device, p.description or "") for p in list_ports.comports())]


MACHINE = Offered("machine file", _demos, ".toml", "Give a machine file; leanmix new mine.toml begins one.")
MANOEUVRE = Offered("manoeuvre", _manoeuvres, ".toml", "Give a manoeuvre file, or one of: {names}.")
PORT = Offered("port", _ports, missing="See leanmix board list; --port virtual tries it without a board.")


_KINDS: dict[str, type[ShellComplete]] = {"bash": _Bash, "zsh": _Zsh, "fish": _Fish}


def script(command: click.Command, shell: str) -> str:
    """Text that a shell reads once to know what Tab may offer.

    Parameters
    ----------
    command : click.Command
        The whole tool.
    shell : str
        One of `SHELLS`.
    """
    return _KINDS[shell](command, {}, "leanmix", VARIABLE).source()


def answer(command: click.Command, instruction: str) -> int:
    """Answer a shell that wants to complete a line; the exit status.

    Parameters
    ----------
    command : click.Command
        The whole tool.
    instruction : str
        ``bash_complete`` and the like, from the environment.
    """
    from click.shell_completion import shell_complete

    for kind in _KINDS.values():
        add_completion_class(kind)
    return shell_complete(command, {}, "leanmix", VARIABLE, instruction)
