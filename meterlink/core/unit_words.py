"""The words for units and couplings, as displays, labels and people spell them: the one table of their spellings.

A word may state more than a unit: ``VDC`` is volts of direct voltage. Every room that reads such words looks them up
here, so all of them agree on its unit and on its coupling. `meterlink.core.units.parse_unit_word` adds the expected
quantity and the messages. Pure; loads no library of units.
"""

import re
from enum import StrEnum
from typing import Final, NamedTuple


class Coupling(StrEnum):
    """Alternating or direct, if the meter reports it."""

    AC = "AC"
    DC = "DC"


class UnitWord(NamedTuple):
    """The meaning of a word: ``prefix`` and ``base`` of its unit, and the ``coupling`` that it states (None: neither).

    ``prefix`` is a key of `PREFIX_EXPONENTS`. ``base`` is one of `PREFIXED_UNITS` or `UNPREFIXED_UNITS`.
    """

    prefix: str
    base: str
    coupling: Coupling | None = None

    @property
    def unit(self) -> str:
        """The display unit: the prefix and the unit behind it."""
        return self.prefix + self.base


PREFIX_EXPONENTS: Final = {"p": -12, "n": -9, "µ": -6, "m": -3, "": 0, "k": 3, "M": 6}
"""The powers of ten of the prefixes on meters and parts. There are more in the SI, but 45 zF is a slip, not a unit."""

PREFIXED_UNITS: Final = ("V", "A", "Ω", "F", "Hz")
"""The units that take a prefix."""

UNPREFIXED_UNITS: Final = ("°C", "°F", "%")
"""The units that take none."""

COUPLING_WORDS: Final = {"ac": Coupling.AC, "~": Coupling.AC, "dc": Coupling.DC, "⎓": Coupling.DC}
"""The words, in lower case, that state a coupling and no unit. The signs are those of IEC 60417 (5031 and 5032, from
memory): ``⎓`` is U+2393."""

OHM_PREFIX_WORDS: Final = {
    "k": UnitWord("k", "Ω"), "K": UnitWord("k", "Ω"), "M": UnitWord("M", "Ω"), "R": UnitWord("", "Ω"),
}  # fmt: skip
"""Words that mean ohms where ohms are expected: the trade writes ``4.7k``. A display may show ``k`` or ``M`` alone."""

MICROFARAD_LABEL_WORDS: Final = frozenset({"u", "µ"})
"""Words, in lower case, that mean microfarad on a capacitor's label and nowhere else."""

AMBIGUOUS_MICROFARAD_WORDS: Final = frozenset({"MF", "Mf"})
"""Microfarad on old parts, megafarad by the book: never guessed."""

# Matched as written: milli and mega differ by their case only.
_AS_WRITTEN = {
    "F": UnitWord("", "F"),
    "mF": UnitWord("m", "F"),
    "µF": UnitWord("µ", "F"),
    "Ω": UnitWord("", "Ω"),
    "mΩ": UnitWord("m", "Ω"),
    "MΩ": UnitWord("M", "Ω"),
    "mV": UnitWord("m", "V"),
    "mv": UnitWord("m", "V"),
    "mA": UnitWord("m", "A"),
    "ma": UnitWord("m", "A"),
    "µA": UnitWord("µ", "A"),
    "uA": UnitWord("µ", "A"),
    "MHz": UnitWord("M", "Hz"),
}

# Matched in lower case, after the words that are matched as written.
_IN_ANY_CASE = {
    "mfd": UnitWord("µ", "F"),
    "mfds": UnitWord("µ", "F"),
    "uf": UnitWord("µ", "F"),
    "ufd": UnitWord("µ", "F"),
    "µf": UnitWord("µ", "F"),
    "µfd": UnitWord("µ", "F"),
    "nf": UnitWord("n", "F"),
    "pf": UnitWord("p", "F"),
    "kω": UnitWord("k", "Ω"),
    "v": UnitWord("", "V"),
    "kv": UnitWord("k", "V"),
    "a": UnitWord("", "A"),
    "hz": UnitWord("", "Hz"),
    "khz": UnitWord("k", "Hz"),
    "degc": UnitWord("", "°C"),
    "degf": UnitWord("", "°F"),
    "°c": UnitWord("", "°C"),
    "°f": UnitWord("", "°F"),
    "c": UnitWord("", "°C"),
    "f": UnitWord("", "°F"),
    "celsius": UnitWord("", "°C"),
    "fahrenheit": UnitWord("", "°F"),
    "%": UnitWord("", "%"),
    "percent": UnitWord("", "%"),
}

# Names spelled out, in lower case.
_PREFIX_NAMES = {"pico": "p", "nano": "n", "micro": "µ", "milli": "m", "": "", "kilo": "k", "mega": "M"}
_UNIT_NAMES = {
    "volt": "V", "volts": "V",
    "amp": "A", "amps": "A", "ampere": "A", "amperes": "A",
    "ohm": "Ω", "ohms": "Ω",
    "farad": "F", "farads": "F",
    "hertz": "Hz",
}  # fmt: skip
_SPELLED_OUT = {
    prefix_name + name: UnitWord(prefix, base)
    for prefix_name, prefix in _PREFIX_NAMES.items()
    for name, base in _UNIT_NAMES.items()
} | {
    # NIST SP 811 (2008), 9.3, from memory: the last vowel of a prefix is dropped before ohm.
    "megohm": UnitWord("M", "Ω"),
    "megohms": UnitWord("M", "Ω"),
    "kilohm": UnitWord("k", "Ω"),
    "kilohms": UnitWord("k", "Ω"),
}

# Only voltage and current are alternating or direct: VAC, mVDC, A~, and as some displays have it, DCV and ACmA.
_COUPLED_UNITS = {"V", "A"}
_COUPLED = re.compile(r"(?P<unit>.+)(?P<coupling>ac|dc|~|⎓)|(?P<before>ac|dc|~|⎓)(?P<after>.+)", re.IGNORECASE)

_OHM = re.compile(r"ohms?$", re.IGNORECASE)


def normalize_symbols(text: str) -> str:
    """Return ``text`` without blanks around it, and with one character for each of µ and Ω.

    U+03BC (Greek mu) and U+00B5 (micro sign) look alike; U+2126 (ohm sign) is canonically U+03A9 (omega).
    """
    return text.strip().replace("\u03bc", "µ").replace("\u2126", "Ω")


def find_unit_word(text: str) -> UnitWord | None:
    """Return the meaning of a word that spells a unit, with or without a coupling; None for any other word.

    ``F`` is farad, ``f`` is °F, ``C`` is °C: the caller knows whether another quantity is expected. A word of
    `COUPLING_WORDS`, `OHM_PREFIX_WORDS`, `MICROFARAD_LABEL_WORDS` or `AMBIGUOUS_MICROFARAD_WORDS` is not found.
    """
    spelling = normalize_symbols(text).replace(" ", "")
    found = _find_uncoupled(spelling)
    if found is not None:
        return found
    match = _COUPLED.fullmatch(spelling)
    if match is None:
        return None
    found = _find_uncoupled(match["unit"] or match["after"])
    if found is None or found.base not in _COUPLED_UNITS:
        return None
    return found._replace(coupling=COUPLING_WORDS[(match["coupling"] or match["before"]).lower()])


def _find_uncoupled(spelling: str) -> UnitWord | None:
    if spelling in AMBIGUOUS_MICROFARAD_WORDS:
        return None
    symbol = _OHM.sub("Ω", spelling)
    return _SPELLED_OUT.get(spelling.lower()) or _AS_WRITTEN.get(symbol) or _IN_ANY_CASE.get(symbol.lower())
