"""Profiles in files: one file, or the folder of a station."""

from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.core.errors import InputError
from meterlink.tomlfile.files import read_text_file

if TYPE_CHECKING:
    from meterlink.profiles import Profile

PROFILES_FOLDER = "profiles"  # in the data folder


def load_profile(path: Path) -> "Profile":
    """Return the profile in a file.

    Raises:
        InputError: the file cannot be read or is no profile; the message names file, line and column.
    """
    from meterlink.profiles import parse_profile  # noqa: PLC0415  # a station without profiles starts without it

    return parse_profile(read_text_file(path, "profile"), str(path))


def load_profiles(folder: Path) -> "tuple[tuple[Profile, ...], tuple[tuple[Path, str], ...]]":
    """Return ``(profiles, failures)`` of a folder; both are empty if there is no such folder.

    ``failures`` has ``(file, reason)`` for each file that is left out; a reason is one line.
    """
    profiles: dict[str, Profile] = {}
    failures: list[tuple[Path, str]] = []
    for path in sorted(folder.glob("*.toml")):
        try:
            profile = load_profile(path)
        except InputError as error:
            failures.append((path, _first_line(error)))
            continue
        if profile.name in profiles:
            failures.append((path, f"Another profile has the name {profile.name} already. Rename one of them."))
        else:
            profiles[profile.name] = profile
    return tuple(profiles.values()), tuple(failures)


def _first_line(error: InputError) -> str:
    first, *others = str(error).splitlines()
    return f"{first} `meterlink profile check` lists the other errors." if others else first
