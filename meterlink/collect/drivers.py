"""The drivers a station on some data folder can use."""

from pathlib import Path

from meterlink.plugins import LoadedDrivers, load_drivers


def all_drivers(folder: Path) -> LoadedDrivers:  # noqa: ARG001  # see NOTE: profiles of the folder join here
    """Return the installed drivers, with those that are broken."""
    return load_drivers()
