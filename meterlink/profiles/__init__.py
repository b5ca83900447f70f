"""Profiles: meters described in TOML files, so that a meter needs no line of Python.

The format is described in ``docs/profiles.md`` and in `meterlink.profiles.model`; its JSON Schema is what
``meterlink profile schema`` prints. `kind_of` makes a driver of a profile.
"""

from meterlink.profiles.driver import ProfileKind, captured_services, kind_of, open_on_capture
from meterlink.profiles.model import Profile
from meterlink.profiles.parser import (
    FOLDER,
    CheckedProfile,
    check_profile,
    load_profile,
    load_profiles,
    read_profile_text,
)
from meterlink.profiles.writer import write_profile

__all__ = [
    "FOLDER",
    "CheckedProfile",
    "Profile",
    "ProfileKind",
    "captured_services",
    "check_profile",
    "kind_of",
    "load_profile",
    "load_profiles",
    "open_on_capture",
    "read_profile_text",
    "write_profile",
]
