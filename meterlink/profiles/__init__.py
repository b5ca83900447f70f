"""Profiles: meters described in TOML files, so that a meter needs no line of Python.

``docs/profiles.md`` and `meterlink.profiles.model` describe the format; ``meterlink profile schema`` prints its JSON
Schema. `compile_profile` makes a driver of a profile.
"""

from meterlink.profiles.driver import (
    ProfileDriverFactory,
    characteristics_for_capture,
    compile_profile,
    open_profile_driver,
)
from meterlink.profiles.model import Profile
from meterlink.profiles.parser import CheckedProfile, check_profile, parse_profile
from meterlink.profiles.writer import write_profile

__all__ = [
    "CheckedProfile",
    "Profile",
    "ProfileDriverFactory",
    "characteristics_for_capture",
    "check_profile",
    "compile_profile",
    "open_profile_driver",
    "parse_profile",
    "write_profile",
]
