"""A click group that imports a subcommand only when it runs."""

import importlib
from collections.abc import Mapping
from typing import NamedTuple, cast

import click


class LazyCommand(NamedTuple):
    """A subcommand by module and attribute; with its help text here, listing the commands needs no import."""

    module: str
    attribute: str
    help: str


class LazyGroup(click.Group):
    """A group of `LazyCommand` subcommands, by name."""

    lazy_commands: Mapping[str, LazyCommand]

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  # click's signature
        """Return the names in alphabetical order."""
        return sorted(self.lazy_commands)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import and return a subcommand; None for an unknown name."""
        lazy = self.lazy_commands.get(cmd_name)
        if lazy is None:
            return None
        return cast("click.Command", getattr(importlib.import_module(lazy.module), lazy.attribute))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the subcommands with their help texts."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, lazy.help) for name, lazy in sorted(self.lazy_commands.items())])


def lazy_group(commands: Mapping[str, LazyCommand]) -> type[LazyGroup]:
    """Return a group class with the subcommands ``{name: command}``, for ``click.group(cls=…)``."""
    return type("Group", (LazyGroup,), {"lazy_commands": commands})
