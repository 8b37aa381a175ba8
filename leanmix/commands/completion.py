"""`leanmix completion`: what the Tab key offers in bash, zsh and fish."""

from __future__ import annotations

import click

from leanmix.commands._completion import SHELLS, script


@click.command("completion")
@click.argument("shell", metavar="SHELL", type=click.Choice(SHELLS))
def command(shell: str) -> None:
    """Print the script that completes commands, options, demo machines, manoeuvres, ports and files in SHELL.

    SHELL is bash, zsh or fish. Once for ever:

    \b
      bash  leanmix completion bash >> ~/.bashrc
      zsh   leanmix completion zsh >> ~/.zshrc    (below its compinit line)
      fish  leanmix completion fish > ~/.config/fish/completions/leanmix.fish

    Example: leanmix completion bash
    """
    click.echo(script(click.get_current_context().find_root().command, shell), nl=False)
