"""Profiles: meters described in TOML files, so that a meter needs no line of Python.

The format is described in ``docs/profiles.md`` and in `meterlink.profiles.model`; its JSON Schema is what
``meterlink profile schema`` prints. `kind_of` makes a driver of a profile.
"""

from meterlink.profiles.driver import (
    ProfileDriverFactory,
    characteristics_for_capture,
    compile_profile,
    open_profile_driver,
)
from meterlink.profiles.model import Profile
from meterlink.profiles.parser import (
    PROFILES_FOLDER,
    CheckedProfile,
    check_profile,
    load_profile,
    load_profiles,
    read_profile_text,
)
from meterlink.profiles.writer import write_profile

__all__ = [
    "PROFILES_FOLDER",
    "CheckedProfile",
    "Profile",
    "ProfileDriverFactory",
    "characteristics_for_capture",
    "check_profile",
    "compile_profile",
    "load_profile",
    "load_profiles",
    "open_profile_driver",
    "read_profile_text",
    "write_profile",
]
