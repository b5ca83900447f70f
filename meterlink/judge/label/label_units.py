"""The units on labels, as they are spelled there."""

from dataclasses import dataclass
from functools import lru_cache

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.unit_words import MICROFARAD_LABEL_WORDS
from meterlink.core.units import Quantity, parse_unit_word, quantity_of


@dataclass(frozen=True, slots=True)
class LabelUnit:
    """The unit after a number; ``tolerance_letter`` is a tolerance letter attached to it (``uFJ``)."""

    symbol: str
    quantity: Quantity
    coupling: Coupling | None = None
    tolerance_letter: str = ""


@lru_cache(maxsize=256)  # a question reads the same few words many times
def parse_label_unit(word: str) -> LabelUnit | None:
    """Return the unit that ``word`` spells; None for no unit, for C, and for MF, mF and F (`is_ambiguous_farad`)."""
    bare = word.replace(".", "")
    if bare.lower() in MICROFARAD_LABEL_WORDS:
        return LabelUnit("µF", Quantity.CAPACITANCE)
    if bare.lower() in {"cycles", "cycle", "cyc", "cy", "cps"}:
        return LabelUnit("Hz", Quantity.FREQUENCY)
    if is_ambiguous_farad(word) or bare.lower() == "c":  # on a can C is a terminal or a class, not a temperature
        return None
    for spelled, letter in ((bare, ""), (bare[:-1], bare[-1:])):
        if letter and (letter not in "JKM" or not spelled):
            continue
        try:
            unit_word = parse_unit_word(spelled)
        except InputError:
            continue
        quantity = quantity_of(unit_word.unit)
        if letter and quantity is not Quantity.CAPACITANCE:
            continue
        return LabelUnit(unit_word.unit, quantity, coupling=unit_word.coupling, tolerance_letter=letter)
    return None


def is_ambiguous_farad(word: str) -> bool:
    """Return whether ``word`` is MF, mF or F: microfarad on old parts, but officially another unit."""
    return word.replace(".", "").lower() in {"mf", "f"}
