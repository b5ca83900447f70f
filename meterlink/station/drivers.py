"""The drivers of a data folder: installed drivers and profiles, reloaded when a profile changes."""

import asyncio
import hashlib
import logging
from collections.abc import Awaitable, Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.core.errors import SettingsError
from meterlink.core.text import named_device
from meterlink.driver_api import Advertisement, Characteristic, Driver, DriverFactory
from meterlink.plugins import DriverFailure, LoadedDrivers, best_driver, load_drivers
from meterlink.settings import SETTINGS_FILE, MeterSettings, load_settings
from meterlink.station.known_meters import KnownMeters
from meterlink.station.profile_files import PROFILES_FOLDER, load_profiles
from meterlink.store.rows import MeterRow

if TYPE_CHECKING:
    from meterlink.profiles import Profile

log = logging.getLogger(__name__)

# A person who has just saved a profile waits two seconds at most; listing a few file names is cheap.
PROFILE_POLL_PERIOD = 2.0  # s

_FolderSnapshot = tuple[tuple[str, int, int], ...]


@dataclass(slots=True)
class Drivers:
    """Driver factories: all ``loaded`` ones, and those ``configured`` for a meter, by its address in capitals."""

    loaded: LoadedDrivers
    configured: dict[str, DriverFactory] = field(default_factory=dict)

    @classmethod
    def load(cls, folder: Path, known: KnownMeters, meters: Iterable[MeterSettings]) -> "Drivers":
        """Load the drivers of a data folder; ``meters`` are those of its settings.

        Raises:
            SettingsError: the settings name a profile that is missing or has an error.
        """
        loaded = load_all_drivers(folder)
        check_profiles(loaded, meters)
        return cls(loaded, configured_drivers(loaded, known))

    @classmethod
    def load_tolerantly(cls, folder: Path, rows: Iterable[MeterRow]) -> "Drivers":
        """Load the drivers of a data folder whose database has ``rows``.

        An error in its settings becomes one more failure in ``loaded``.
        """
        loaded = load_all_drivers(folder)
        try:
            settings = load_settings(folder)
            check_profiles(loaded, settings.meters)
            return cls(loaded, configured_drivers(loaded, KnownMeters(settings, rows)))
        except SettingsError as error:
            failure = DriverFailure("[[meter]]", SETTINGS_FILE, str(error))
            return cls(LoadedDrivers(loaded.factories, (*loaded.failures, failure)))

    def find(self, name: str) -> DriverFactory | None:
        """Return the factory with this name, or of the profile with it; None if there is none."""
        return find_driver(self.loaded, name)

    def choose(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> DriverFactory | None:
        """Return the factory that fits a meter best, None if none fits."""
        best = best_driver(self.loaded.factories, advertisement, services)
        return None if best is None else best[0]

    def name_for(self, advertisement: Advertisement) -> str:
        """Return the name of the factory that fits an advertisement best; empty if none fits."""
        best = self.choose(advertisement, None)
        return "" if best is None else best.name

    def add(self, factory: DriverFactory) -> None:
        """Add a factory; it replaces one of the same name."""
        others = tuple(existing for existing in self.loaded.factories if existing.name != factory.name)
        self.loaded = LoadedDrivers((*others, factory), self.loaded.failures)

    @property
    def profiles(self) -> "dict[str, Profile]":
        """The loaded profiles, ``{factory name: profile}``."""
        return {
            factory.name: profile for factory in self.loaded.factories if (profile := profile_of(factory)) is not None
        }


def profile_of(factory: DriverFactory | None) -> "Profile | None":
    """Return the profile of a factory that was made from one; None for any other."""
    if not hasattr(factory, "profile"):
        return None
    # A station without profiles starts without their readers and decoders, which are a tenth of its imports.
    from meterlink.profiles import ProfileDriverFactory  # noqa: PLC0415

    return factory.profile if isinstance(factory, ProfileDriverFactory) else None


def profile_identity(driver: Driver) -> tuple[str, str]:
    """Return ``(name, SHA-256 in hexadecimal)`` of the profile of a driver that was made from one, else empty texts.

    The hash is that of the text by `write_profile`: two files that describe the same profile have the same hash.
    """
    if not hasattr(driver, "profile"):
        return "", ""
    from meterlink.profiles import ProfileDriver  # noqa: PLC0415  # as in `profile_of`

    if not isinstance(driver, ProfileDriver):
        return "", ""
    return driver.profile.name, _hash_of(driver.profile)


def factory_identity(factory: DriverFactory) -> tuple[str, str]:
    """Return ``(name, SHA-256)`` of the profile of a factory, as `profile_identity` does of a driver."""
    profile = profile_of(factory)
    return ("", "") if profile is None else (profile.name, _hash_of(profile))


def _hash_of(profile: "Profile") -> str:
    from meterlink.profiles import write_profile  # noqa: PLC0415  # as in `profile_of`

    return hashlib.sha256(write_profile(profile).encode()).hexdigest()


def _compile_profiles(profiles: "Iterable[Profile]") -> Iterator[DriverFactory]:
    for profile in profiles:
        from meterlink.profiles import compile_profile  # noqa: PLC0415  # as in `profile_of`

        yield compile_profile(profile)


def load_all_drivers(folder: Path) -> LoadedDrivers:
    """Return the installed drivers and the profiles of a data folder, with the failures of both."""
    installed = load_drivers()
    profiles, failures = load_profiles(folder / PROFILES_FOLDER)
    return LoadedDrivers(
        (*installed.factories, *_compile_profiles(profiles)),
        (*installed.failures, *(DriverFailure(path.name, PROFILES_FOLDER, reason) for path, reason in failures)),
    )


def driver_name(factory: DriverFactory) -> str:
    """Return the name by which a person chooses a driver: that of its profile, if it was made from one."""
    profile = profile_of(factory)
    return factory.name if profile is None else profile.name


def find_driver(loaded: LoadedDrivers, name: str) -> DriverFactory | None:
    """Return the factory that a person chooses by ``name``, None if there is none."""
    return next((factory for factory in loaded.factories if name in {driver_name(factory), factory.name}), None)


def check_profiles(loaded: LoadedDrivers, meters: Iterable[MeterSettings]) -> None:
    """Do nothing if every profile that the settings name is there.

    Raises:
        SettingsError: one is missing or has an error; the message names the meter.
    """
    profiles = {profile.name for factory in loaded.factories if (profile := profile_of(factory)) is not None}
    for meter in meters:
        if meter.profile and meter.profile not in profiles:
            raise SettingsError(
                f"[[meter]] {meter.address}: there is no valid profile {meter.profile!r}.",
                f"The folder {PROFILES_FOLDER} has: {', '.join(sorted(profiles)) or 'none'}.",
            )


def configured_drivers(loaded: LoadedDrivers, known: KnownMeters) -> dict[str, DriverFactory]:
    """Return the factories of the meters for which a driver was chosen: ``{address in capitals: factory}``.

    A driver that is missing is logged; the advertisement then decides.
    """
    configured: dict[str, DriverFactory] = {}
    for meter in known:
        factory = find_driver(loaded, meter.driver) if meter.driver else None
        if factory is not None:
            configured |= {address.upper(): factory for address in meter.addresses}
        elif meter.driver:
            name = named_device(meter.name, meter.address)
            log.warning("%s: its driver %s is missing; the best other one is used", name, meter.driver)
    return configured


def log_failures(loaded: LoadedDrivers, before: Iterable[DriverFailure] = ()) -> None:
    """Log each failure that is not in ``before``."""
    known = set(before)
    for failure in loaded.failures:
        if failure not in known:
            log.warning("driver %s of %s left out: %s", failure.name, failure.distribution, failure.reason)


async def watch_profiles(
    folder: Path,
    drivers: Drivers,
    known: KnownMeters,
    meters: Callable[[], Sequence[MeterSettings]],
    on_change: "Callable[[dict[str, Profile | None]], Awaitable[None]]",
) -> None:
    """Reload the profiles each time a file in the folder is added, changed or removed, until cancelled.

    ``meters`` returns those of the settings in force. ``on_change`` receives ``{factory name: changed profile, or None
    if removed}``. If a profile is missing while a file has an error, that file is probably its half-saved version, so
    the profile stays in use.
    """
    snapshot = await asyncio.to_thread(_folder_snapshot, folder)
    while True:
        await asyncio.sleep(PROFILE_POLL_PERIOD)
        latest = await asyncio.to_thread(_folder_snapshot, folder)
        if latest == snapshot:
            continue
        snapshot = latest
        before, failures = drivers.profiles, drivers.loaded.failures
        loaded = await asyncio.to_thread(load_all_drivers, folder)
        log_failures(loaded, failures)
        drivers.loaded = loaded
        broken = any(failure.distribution == PROFILES_FOLDER for failure in loaded.failures)
        kept = before.keys() - drivers.profiles.keys() if broken else set()
        for factory in _compile_profiles(before[name] for name in kept):
            drivers.add(factory)
        try:
            check_profiles(drivers.loaded, meters())
        except SettingsError as error:
            log.warning("%s", error)
        drivers.configured |= configured_drivers(drivers.loaded, known)
        after = drivers.profiles
        names = before.keys() | after.keys()
        changed = {name: after.get(name) for name in names if before.get(name) != after.get(name)}
        if changed:
            log.info("profiles changed: %s", ", ".join(sorted(changed)))
            await on_change(changed)


def _folder_snapshot(folder: Path) -> _FolderSnapshot:
    """Return ``(file name, time of change in ns, size in bytes)`` of each profile, to compare with a later call."""
    entries = []
    for path in sorted((folder / PROFILES_FOLDER).glob("*.toml")):
        try:
            status = path.stat()
        except OSError:  # removed meanwhile
            continue
        entries.append((path.name, status.st_mtime_ns, status.st_size))
    return tuple(entries)
