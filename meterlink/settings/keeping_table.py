"""The ``[keeping]`` table of the settings: how long raw readings are kept, and the room that is left on the disk."""

from dataclasses import dataclass

from meterlink.tomlfile.field_types import Integer
from meterlink.tomlfile.tables import Key, Table

# A year: the curve around an accepted reading of the last season can still be looked at. Trends and reports rest on
# accepted readings, which stay. Common practice, no source.
RAW_DAYS = 365
_MOST_DAYS = 36_500  # a hundred years: a longer time is a slip of the keyboard

# A hundred days of one meter at 5 readings a second for 8 hours (about 7 MB a day): long enough to be seen, and short
# enough that a small board's card of 8 GB is not held to be full.
LEAST_FREE_MB = 1_000
_MOST_MB = 10_000_000  # 10 TB


@dataclass(frozen=True, slots=True)
class KeepingSettings:
    """``raw_days``: the age in days at which raw readings are deleted; 0 for never.

    ``least_free_mb``: the room in MB that is made on the disk by deleting the oldest raw readings; 0 for none.
    """

    raw_days: int = RAW_DAYS
    least_free_mb: int = LEAST_FREE_MB


DEFAULT_KEEPING = KeepingSettings()

KEEPING = Table(
    KeepingSettings,
    Key(
        "raw_days",
        Integer(0, _MOST_DAYS),
        RAW_DAYS,
        description="Raw readings that are older, in days, are deleted; accepted ones stay. 0: never."
        f" Default: {RAW_DAYS}.",
    ),
    Key(
        "least_free_mb",
        Integer(0, _MOST_MB),
        LEAST_FREE_MB,
        description="With less room on the disk, in MB, the oldest raw readings are deleted, those of the last week"
        f" never. 0: none. Default: {LEAST_FREE_MB}.",
    ),
)
"""The table of keeping."""
