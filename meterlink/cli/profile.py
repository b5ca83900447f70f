"""``meterlink profile``: check a profile; list those of the data folder."""

from pathlib import Path
from typing import Any

import click

from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import Form, data_option, listing_options, print_table, print_text, printable_text
from meterlink.core.text import clean_text
from meterlink.profiles import Profile, check_profile
from meterlink.settings import existing_data_dir
from meterlink.station.profile_files import PROFILES_FOLDER, load_profiles
from meterlink.tomlfile.files import read_text_file

_MAX_PATH_LENGTH = 4096  # characters of a file's name; no system allows more


@click.group(cls=CommandGroup)
def command() -> None:
    """Check and list profiles: meters described in TOML files."""


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


@command.command("list")
@data_option
@listing_options("profile", "driver", "channels", "note", "file", "problem")
def list_profiles(*, data: str | None, form: Form) -> None:
    """List the profiles in the data folder: the meters that were taught or described.

    \b
        meterlink profile list

    With --json: an array of profile (its name), driver, channels (their number), note, file and problem; of a file that
    is left out only file and problem, of a profile not these two.
    """
    profiles, failures = load_profiles(existing_data_dir(data) / PROFILES_FOLDER)
    records: list[dict[str, Any]] = [
        {
            "profile": profile.name,
            "driver": str(profile.driver),
            "channels": _channel_count(profile),
            "note": profile.note,
            "file": None,
            "problem": None,
        }
        for profile in profiles
    ]
    missing = dict.fromkeys(("profile", "driver", "channels", "note"))
    records += [{**missing, "file": str(path), "problem": reason} for path, reason in failures]
    if form.prints(records, records):
        return
    if not records:
        click.echo("No profiles yet. Teach a meter: meterlink teach, or m in the dashboard.")
        return
    if profiles:
        rows = [
            (profile.name, str(profile.driver), str(_channel_count(profile)), printable_text(profile.note))
            for profile in profiles
        ]
        print_table(("Profile", "Driver", "Channels", "Note"), rows, ("Note",))
    for path, reason in failures:
        print_text(f"Left out: {clean_text(str(path), _MAX_PATH_LENGTH)}: {reason}")


def _channel_count(profile: Profile) -> int:
    return len(profile.connection.notify) + len(profile.connection.read)


def _summary(profile: Profile) -> str:
    channels = _channel_count(profile)
    return f"{profile.name}, {profile.driver}, {channels} channel{'' if channels == 1 else 's'}"
