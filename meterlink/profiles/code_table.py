"""The ``[[code]]`` table of a profile: a field whose number means a function, range, unit or state."""

import re

from meterlink.profiles.location_keys import LOCATION, LOCATION_RULE, check_location, location_keys
from meterlink.profiles.meaning_table import MEANING
from meterlink.profiles.model import Code
from meterlink.tomlfile.field_types import Entries
from meterlink.tomlfile.tables import Computed, Key, Table

# A key of TOML is text: a number there may be written like any number of a profile, 64 bits at most.
_NUMBER = r"0[xX][0-9A-Fa-f]{1,16}|0[bB][01]{1,64}|[1-9][0-9]{0,19}|0"


def _find_number(text: str) -> int | None:
    """Return the number of a code's key, decimal or with 0x or 0b; None for any other text."""
    number = int(text, 0) if re.fullmatch(_NUMBER, text) else None
    return number if number is not None and number < 1 << 64 else None


def _size(stated_size: int | None) -> int:
    return stated_size or 1


CODE = Table(
    Code,
    *location_keys(8),
    Key(
        "is",
        Entries(_find_number, _NUMBER, MEANING, '0x01 = { unit = "V" }', wanted="Write 0x01 = { … }, a number."),
        attribute="meanings",
        description="The meanings of the field's numbers.",
    ),
    Key("otherwise", MEANING, None, description="The meaning of any other number."),
    computed=(Computed("size", _size), LOCATION),
    checks=(check_location,),
    schema_rules=(LOCATION_RULE,),
)
