"""The drivers a station on some data folder can use."""

from collections.abc import Iterable
from pathlib import Path

from meterlink.driver_api import DriverKind
from meterlink.errors import SettingsError
from meterlink.plugins import DriverFailure, LoadedDrivers, load_drivers
from meterlink.profiles import FOLDER, ProfileKind, kind_of, load_profiles
from meterlink.settings import KnownMeter


def all_drivers(folder: Path) -> LoadedDrivers:
    """Return the installed drivers and the profiles of the data folder, with those of both that are broken."""
    installed = load_drivers()
    profiles, failures = load_profiles(folder / FOLDER)
    return LoadedDrivers(
        (*installed.kinds, *(kind_of(profile) for profile in profiles)),
        (*installed.failures, *(DriverFailure(path.name, FOLDER, reason) for path, reason in failures)),
    )


def named_drivers(loaded: LoadedDrivers, meters: Iterable[KnownMeter]) -> dict[str, DriverKind]:
    """Return the driver kinds of the meters whose settings name a profile, by address.

    SettingsError, naming the meter, for a profile that is not there or has an error.
    """
    profiles = {kind.profile.name: kind for kind in loaded.kinds if isinstance(kind, ProfileKind)}
    named: dict[str, DriverKind] = {}
    for meter in meters:
        if meter.profile and meter.profile not in profiles:
            raise SettingsError(
                f"[[meter]] {meter.address}: there is no usable profile {meter.profile!r}.",
                f"The folder {FOLDER} has: {', '.join(sorted(profiles)) or 'none'}.",
            )
        if meter.profile:
            named[meter.address] = profiles[meter.profile]
    return named
