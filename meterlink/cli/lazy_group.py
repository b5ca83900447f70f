"""A click group that imports a subcommand only when it is asked for."""

import importlib
from collections.abc import Mapping
from typing import NamedTuple, cast

import click


class LazyCommand(NamedTuple):
    """Where a subcommand is, and what it is for, so that a list of commands needs no import."""

    module: str
    attribute: str
    help: str


class LazyGroup(click.Group):
    """A group of `Lazy` subcommands, by name."""

    lazy_commands: Mapping[str, LazyCommand]

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  # click's signature
        """Return the names in order."""
        return sorted(self.lazy_commands)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import and return one subcommand, None for an unknown name."""
        found = self.lazy_commands.get(cmd_name)
        if found is None:
            return None
        return cast("click.Command", getattr(importlib.import_module(found.module), found.attribute))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List what each subcommand is for."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, found.help) for name, found in sorted(self.lazy_commands.items())])


def lazy_group(commands: Mapping[str, LazyCommand]) -> type[LazyGroup]:
    """Return a group class with these subcommands, for ``click.group(cls=…)``."""
    return type("Group", (LazyGroup,), {"lazy_commands": commands})
