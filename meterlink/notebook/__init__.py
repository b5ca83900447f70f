"""The functions of ``import meterlink``, for notebooks and scripts, and the errors that they raise.

They are the only code here; every rule, file format and query is that of the rooms below. A module of this room is
imported when its first name is used.
"""

from meterlink.core.errors import (
    DamagedDatabaseError,
    DatabaseAccessError,
    DatabaseLockedError,
    DatabaseMovedError,
    DiskFailedError,
    DiskFullError,
    DriverError,
    InputError,
    LinkError,
    MeterlinkError,
    NewerDatabaseError,
    NoDatabaseError,
    NotADatabaseError,
    OlderDatabaseError,
    PlanError,
    ProfileError,
    PublishError,
    RadioError,
    SealError,
    SettingsError,
    StoreError,
    VisitError,
)
from meterlink.core.version import VERSION

__all__ = [
    "VERSION",
    "DamagedDatabaseError",
    "DatabaseAccessError",
    "DatabaseLockedError",
    "DatabaseMovedError",
    "DiskFailedError",
    "DiskFullError",
    "DriverError",
    "InputError",
    "LinkError",
    "MeterlinkError",
    "NewerDatabaseError",
    "NoDatabaseError",
    "NotADatabaseError",
    "OlderDatabaseError",
    "PlanError",
    "ProfileError",
    "PublishError",
    "RadioError",
    "SealError",
    "SettingsError",
    "StoreError",
    "VisitError",
]
