"""``meterlink profile``: check a profile."""

from pathlib import Path

import click

from meterlink.cli.lazy_group import CommandGroup
from meterlink.core.text import clean_text
from meterlink.profiles import Profile, check_profile
from meterlink.tomlfile.files import read_text_file

_MAX_PATH_LENGTH = 4096  # characters of a file's name; no system allows more


@click.group(cls=CommandGroup)
def command() -> None:
    """Check profiles: meters described in TOML files."""


@command.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.pass_context
def check(context: click.Context, file: Path) -> None:
    """Check a profile FILE and list every problem with its line, column and remedy.

    \b
        meterlink profile check yard.toml

    Exit status 0 for a usable profile, 2 for a profile with errors.
    """
    checked = check_profile(read_text_file(file, "profile"))
    path = clean_text(str(file), _MAX_PATH_LENGTH)
    for problem in checked.problems:
        click.echo(f"{path}:{problem}", err=True)
    if checked.value is None:
        context.exit(2)
    click.echo(f"{path}: {_summary(checked.value)}.")


def _summary(profile: Profile) -> str:
    channels = len(profile.connection.notify) + len(profile.connection.read)
    return f"{profile.name}, {profile.driver}, {channels} channel{'' if channels == 1 else 's'}"
