"""The commands, one module each; every module exposes a click command object named `command`.

A command reads files, calls the stages, and prints: it computes nothing itself. The list that `leanmix`
shows is in `leanmix.cli`, so that `--help` imports none of these modules.
"""

__all__: list[str] = []
