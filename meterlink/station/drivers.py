"""The drivers a station on some data folder can use, and what becomes of them when profiles change."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from meterlink.core.errors import SettingsError
from meterlink.driver_api import Advertisement, Characteristic, DriverFactory
from meterlink.plugins import DriverFailure, LoadedDrivers, best_driver, load_drivers
from meterlink.profiles import PROFILES_FOLDER, Profile, ProfileDriverFactory, compile_profile, load_profiles
from meterlink.settings import SETTINGS_FILE, MeterSettings, load_settings

log = logging.getLogger(__name__)

# How often the profiles' folder is looked at: soon enough for whoever has just saved a file, and a few file names.
PROFILE_POLL_PERIOD = 2.0  # s

_FolderSnapshot = tuple[tuple[str, int, int], ...]


@dataclass(slots=True)
class Drivers:
    """What meters are read with: the ``loaded`` kinds, and those ``named`` for a meter, by its address in capitals."""

    loaded: LoadedDrivers
    configured: dict[str, DriverFactory] = field(default_factory=dict)

    @classmethod
    def load(cls, folder: Path, meters: Iterable[MeterSettings]) -> "Drivers":
        """Load those of a data folder; SettingsError where the settings name a profile that cannot be used."""
        loaded = load_all_drivers(folder)
        return cls(loaded, configured_drivers(loaded, meters))

    @classmethod
    def load_tolerantly(cls, folder: Path) -> "Drivers":
        """Load those of a data folder; what is wrong with its settings is one more driver that cannot be used."""
        loaded = load_all_drivers(folder)
        try:
            return cls(loaded, configured_drivers(loaded, load_settings(folder).meters))
        except SettingsError as error:
            failure = DriverFailure("[[meter]]", SETTINGS_FILE, str(error))
            return cls(LoadedDrivers(loaded.factories, (*loaded.failures, failure)))

    def choose(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> DriverFactory | None:
        """Return the kind that fits a meter best, None where none does."""
        chosen = best_driver(self.loaded.factories, advertisement, services)
        return None if chosen is None else chosen[0]

    def add(self, kind: DriverFactory) -> None:
        """Use this kind, too, in the place of another of its name."""
        others = tuple(one for one in self.loaded.factories if one.name != kind.name)
        self.loaded = LoadedDrivers((*others, kind), self.loaded.failures)

    @property
    def profiles(self) -> dict[str, Profile]:
        """The profiles among the loaded kinds, by the kind's name."""
        return {kind.name: kind.profile for kind in self.loaded.factories if isinstance(kind, ProfileDriverFactory)}


def load_all_drivers(folder: Path) -> LoadedDrivers:
    """Return the installed drivers and the profiles of the data folder, with those of both that are broken."""
    installed = load_drivers()
    profiles, failures = load_profiles(folder / PROFILES_FOLDER)
    return LoadedDrivers(
        (*installed.factories, *(compile_profile(profile) for profile in profiles)),
        (*installed.failures, *(DriverFailure(path.name, PROFILES_FOLDER, reason) for path, reason in failures)),
    )


def configured_drivers(loaded: LoadedDrivers, meters: Iterable[MeterSettings]) -> dict[str, DriverFactory]:
    """Return the driver kinds of the meters whose settings name a profile, by address in capitals.

    SettingsError, naming the meter, for a profile that is not there or has an error.
    """
    profiles = {kind.profile.name: kind for kind in loaded.factories if isinstance(kind, ProfileDriverFactory)}
    named: dict[str, DriverFactory] = {}
    for meter in meters:
        if meter.profile and meter.profile not in profiles:
            raise SettingsError(
                f"[[meter]] {meter.address}: there is no usable profile {meter.profile!r}.",
                f"The folder {PROFILES_FOLDER} has: {', '.join(sorted(profiles)) or 'none'}.",
            )
        if meter.profile:
            named[meter.address.upper()] = profiles[meter.profile]
    return named


def log_failures(loaded: LoadedDrivers, before: Iterable[DriverFailure] = ()) -> None:
    """Log each driver that is left out and was not ``before``."""
    known = set(before)
    for failure in loaded.failures:
        if failure not in known:
            log.warning("driver %s of %s left out: %s", failure.name, failure.distribution, failure.reason)


async def watch_profiles(
    folder: Path,
    drivers: Drivers,
    meters: Sequence[MeterSettings],
    on_change: Callable[[dict[str, Profile | None]], Awaitable[None]],
) -> None:
    """Take in profiles that are put into the folder, changed or taken out, until cancelled.

    ``changed`` is told of those that differ, by the kind's name; None for one that is gone. A profile that is gone
    while some file cannot be used is probably in that file, half saved: it stays in use.
    """
    seen = await asyncio.to_thread(_folder_snapshot, folder)
    while True:
        await asyncio.sleep(PROFILE_POLL_PERIOD)
        now = await asyncio.to_thread(_folder_snapshot, folder)
        if now == seen:
            continue
        seen = now
        before, failures = drivers.profiles, drivers.loaded.failures
        loaded = await asyncio.to_thread(load_all_drivers, folder)
        log_failures(loaded, failures)
        drivers.loaded = loaded
        broken = any(failure.distribution == PROFILES_FOLDER for failure in loaded.failures)
        for name in before.keys() - drivers.profiles.keys() if broken else ():
            drivers.add(compile_profile(before[name]))
        try:
            drivers.configured |= configured_drivers(drivers.loaded, meters)
        except SettingsError as error:
            log.warning("%s", error)
        after = drivers.profiles
        names = before.keys() | after.keys()
        differ = {name: after.get(name) for name in names if before.get(name) != after.get(name)}
        if differ:
            log.info("profiles changed: %s", ", ".join(sorted(differ)))
            await on_change(differ)


def _folder_snapshot(folder: Path) -> _FolderSnapshot:
    """Return what tells whether a profile was saved since."""
    found = []
    for path in sorted((folder / PROFILES_FOLDER).glob("*.toml")):
        try:
            status = path.stat()
        except OSError:  # taken out meanwhile
            continue
        found.append((path.name, status.st_mtime_ns, status.st_size))
    return tuple(found)
