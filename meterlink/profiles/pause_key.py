"""The key ``pause`` of a profile's ``[frame]`` and ``[text]``: how long the next packet of a frame or line may take."""

from decimal import Decimal

from meterlink.profiles.model import LONGEST_PAUSE
from meterlink.tomlfile.field_types import Number
from meterlink.tomlfile.tables import Computed, Key

PAUSE_KEY = Key(
    "pause",
    Number("0.01", str(LONGEST_PAUSE), zero=False),
    Decimal(str(LONGEST_PAUSE)),
    "pause_seconds",
    "Seconds between two packets of one frame or line; a half one before a longer wait is dropped.",
)
"""The key; the table also needs `PAUSE`."""


def _seconds(pause_seconds: Decimal) -> float:
    return float(pause_seconds)


PAUSE = Computed("pause", _seconds)
"""The attribute that the key sets."""
