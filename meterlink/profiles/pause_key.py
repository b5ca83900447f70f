"""The keys of a profile for times: ``pause`` of ``[frame]`` and ``[text]``, ``rest`` of ``[frame]``."""

from decimal import Decimal

from meterlink.profiles.model import LONGEST_PAUSE, LONGEST_REST
from meterlink.tomlfile.field_types import Number
from meterlink.tomlfile.tables import Computed, Key

PAUSE_KEY = Key(
    "pause",
    Number("0.01", str(LONGEST_PAUSE), zero=False),
    Decimal(str(LONGEST_PAUSE)),
    "pause_seconds",
    "Seconds between two packets of one frame or line; a half one before a longer wait is dropped.",
)
"""How long the next packet of a frame or line may take; the table also needs `PAUSE`."""

REST_KEY = Key(
    "rest",
    Number("0.01", str(LONGEST_REST), zero=False),
    Decimal(str(LONGEST_REST)),
    "rest_seconds",
    "Seconds from one frame to the next, at most, where frames have parts.",
)
"""How long the next frame may take; the table also needs `REST`."""


def _seconds(pause_seconds: Decimal) -> float:
    return float(pause_seconds)


def _rest(rest_seconds: Decimal) -> float:
    return float(rest_seconds)


PAUSE = Computed("pause", _seconds)
REST = Computed("rest", _rest)
"""The attributes that the keys set."""
