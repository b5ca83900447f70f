"""The ``[firm]`` table of the settings: the firm that a report names."""

from meterlink.core.firm import Firm
from meterlink.tomlfile.field_types import Text
from meterlink.tomlfile.tables import Key, Table

_LONGEST_LINE = 120  # characters: one line at the head of a printed page
_LONGEST_PATH = 4096  # characters; no system allows more

FIRM = Table(
    Firm,
    Key("name", Text(_LONGEST_LINE, example='"Harbour Cooling"'), "", description="At the head of a report."),
    Key("address", Text(_LONGEST_LINE, example='"4 Quay Street, 555-0142"'), "", description="Below the name."),
    Key(
        "logo",
        Text(_LONGEST_PATH, pattern=r"[^\x00-\x1f\x7f]+", example='"logo.png"', clean=False),
        "",
        description="A picture (PNG, JPEG, GIF, WebP), relative to the data folder.",
    ),
)
"""The table of the firm."""
