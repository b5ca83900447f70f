"""Click groups that name the nearest subcommand for a misspelt one, and import a subcommand only when it runs."""

import importlib
from collections.abc import Mapping
from typing import NamedTuple, cast

import click

from meterlink.core.text import did_you_mean


class LazyCommand(NamedTuple):
    """A subcommand by module and attribute; with its help text here, listing the commands needs no import.

    ``section`` is the heading below which the help of its group lists it.
    """

    module: str
    attribute: str
    help: str
    section: str = "Commands"


class CommandGroup(click.Group):
    """A group that answers a misspelt subcommand with the nearest one."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return ``(name, command, further arguments)``.

        Raises:
            UsageError: there is no such subcommand.
        """
        name = args[0]
        if not ctx.resilient_parsing and not name.startswith("-") and self.get_command(ctx, name) is None:
            remedy = did_you_mean(name, self.list_commands(ctx)) or f"There are {', '.join(self.list_commands(ctx))}."
            raise click.UsageError(f"There is no command {name!r}. {remedy}", ctx)
        return super().resolve_command(ctx, args)


class LazyGroup(CommandGroup):
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
        """List the subcommands with their help texts, section by section, in the order of their table."""
        sections: dict[str, list[tuple[str, str]]] = {}
        for name, lazy in self.lazy_commands.items():
            sections.setdefault(lazy.section, []).append((name, lazy.help))
        for section, rows in sections.items():
            with formatter.section(section):
                formatter.write_dl(rows)


def lazy_group(commands: Mapping[str, LazyCommand]) -> type[LazyGroup]:
    """Return a group class with the subcommands ``{name: command}``, for ``click.group(cls=…)``."""
    return type("Group", (LazyGroup,), {"lazy_commands": commands})
