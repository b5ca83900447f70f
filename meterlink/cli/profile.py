"""``meterlink profile``: check a profile, print the schema of profiles."""

import json
from pathlib import Path

import click

from meterlink.core.text import clean_text
from meterlink.profiles import Profile, check_profile, read_profile_text

_MAX_PATH_LENGTH = 4096  # characters shown of a file's name; no system allows more


@click.group()
def command() -> None:
    """Work with profiles: meters described in TOML files."""


@command.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.pass_context
def check(context: click.Context, file: Path) -> None:
    """Check a profile FILE: say everything that is wrong in it, with line and column, and what to write instead.

    Exit status 0 for a profile that can be used, 2 for one with errors.
    """
    checked = check_profile(read_profile_text(file))
    shown = clean_text(str(file), _MAX_PATH_LENGTH)
    for finding in checked.problems:
        click.echo(f"{shown}:{finding}", err=True)
    if checked.profile is None:
        context.exit(2)
    click.echo(f"{shown}: {_summary(checked.profile)}.")


@command.command()
def schema() -> None:
    """Print the JSON Schema of profiles, for editors that check TOML by one."""
    from meterlink.profiles.schema import json_schema  # noqa: PLC0415 - of this subcommand alone

    click.echo(json.dumps(json_schema(), indent=2))


def _summary(profile: Profile) -> str:
    channels = len(profile.connection.notify) + len(profile.connection.read)
    return f"{profile.name}, {profile.driver}, {channels} channel{'' if channels == 1 else 's'}"
