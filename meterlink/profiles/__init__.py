"""Profiles: meters described in TOML files, so that a meter needs no line of Python.

``docs/profiles.md`` and `meterlink.profiles.model` describe the format; ``meterlink schema profile`` prints its JSON
Schema. `compile_profile` makes a driver of a profile.
"""

from meterlink.profiles.driver import (
    KeptDecoder,
    ProfileDriver,
    ProfileDriverFactory,
    characteristics_for_capture,
    compile_profile,
    for_whole_frames,
    open_profile_driver,
)
from meterlink.profiles.model import Profile
from meterlink.profiles.profile_table import check_profile, parse_profile, profile_schema
from meterlink.profiles.read_share import ReadShare
from meterlink.profiles.refusal import Refusal, RefusalReason
from meterlink.profiles.writer import write_profile

__all__ = [
    "KeptDecoder",
    "Profile",
    "ProfileDriver",
    "ProfileDriverFactory",
    "ReadShare",
    "Refusal",
    "RefusalReason",
    "characteristics_for_capture",
    "check_profile",
    "compile_profile",
    "for_whole_frames",
    "open_profile_driver",
    "parse_profile",
    "profile_schema",
    "write_profile",
]
