"""The table of a meaning: ``{ unit = "V", coupling = "DC", places = 2 }``; and its keys that other tables share."""

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.unit_words import UnitWord
from meterlink.core.units import parse_unit_word
from meterlink.profiles.model import UNIT_PREFIXES, Flag, Meaning
from meterlink.tomlfile.field_types import Choice, Integer, Number, Parsed
from meterlink.tomlfile.problems import quote_value
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table

MOST_PLACES = 12  # decimals
# Other characters for a prefix: the Greek letter mu, and u.
_PREFIX_SPELLINGS = {"\u03bc": "µ", "u": "µ"} | {prefix: prefix for prefix in UNIT_PREFIXES}


def _parse_prefix(text: str) -> str:
    if text not in _PREFIX_SPELLINGS:
        raise InputError(f"{quote_value(text)} is not a prefix here.", f"Use one of: {', '.join(UNIT_PREFIXES)}.")
    return _PREFIX_SPELLINGS[text]


def _unit(unit_word: UnitWord | None) -> str:
    return unit_word.unit if unit_word else ""


def _coupling(unit_word: UnitWord | None, stated_coupling: Coupling | None) -> Coupling | None:
    """Return the coupling; ``unit = "VDC"`` states it, too.

    Raises:
        FieldError: the unit and the other key state different ones.
    """
    in_unit = unit_word.coupling if unit_word else None
    if unit_word and in_unit and stated_coupling and in_unit is not stated_coupling:
        message = f"the unit states {in_unit}, not {stated_coupling}."
        raise FieldError("unit", message, f'Write unit = "{unit_word.unit}".')
    return stated_coupling or in_unit


UNIT_KEYS = (
    Key(
        "unit",
        Parsed(parse_unit_word, '"V"', pattern=r"\S", longest=80),
        None,
        "unit_word",
        "A display unit: V, mV, A, Ω, kΩ, µF, Hz, °C, % …; VDC states the coupling, too.",
    ),
    Key("coupling", Choice(Coupling), None, "stated_coupling", "Where the unit does not state it."),
)
UNIT = (Computed("unit", _unit), Computed("coupling", _coupling))
"""The values of `UNIT_KEYS`."""
_SCALE = "The factor from the number in the frame to the number on the display."
SCALE_KEYS = (
    Key("places", Integer(0, MOST_PLACES), None, description="Decimals on the display."),
    Key("scale", Number("-1e18", "1e18", zero=False, example="a number such as 0.01 or 1e6"), None, description=_SCALE),
)

_PREFIX = "Before the unit of another meaning."
MEANING = Table(
    Meaning,
    *UNIT_KEYS,
    Key("prefix", Parsed(_parse_prefix, '"m"', pattern=f"^[{''.join(_PREFIX_SPELLINGS)}]$"), "", description=_PREFIX),
    *SCALE_KEYS,
    Key("flag", Choice(Flag), None, description="A meaning apart from unit and scale."),
    computed=UNIT,
)
