"""The facts about a meter that a technician sets, each with the time when it was set."""

from enum import StrEnum
from typing import NamedTuple


class FactName(StrEnum):
    """A fact that a technician may set; the settings of an administrator may have it, too."""

    NAME = "name"
    TEST_POINT = "test point"  # the key of the one that the meter always measures; empty: none
    DRIVER = "driver"  # the name of its driver or profile; empty: the one that fits its advertisement best
    ACCURACY = "accuracy"  # see `meterlink.judge.accuracy_entry`
    CALIBRATION = "calibration"  # see `meterlink.core.calibration.parse_calibration`


class Fact(NamedTuple):
    """A fact as a technician set it: its text, which may be empty, and the time in ns since 1970 UTC."""

    value: str
    set_utc_ns: int
