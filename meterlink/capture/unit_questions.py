"""Units of an entry that people type for two things: asked back, because a profile would keep the wrong one. Pure.

A capacitance range ends in µF or mF, a thermometer shows °C or °F, and a keyboard has F for all of them. A part's label
may say MFD or mF and mean microfarad (common practice, no source).
"""

import re

from meterlink.capture.capture_file import parse_displayed_value
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity

_WORD = re.compile(r"(?:^|(?<=[0-9.\sLl]))(F|PF|Pf|mF)(?=\s|$)")
_MEANINGS = {
    "F": ("farad or fahrenheit", "farad, or degF"),
    "PF": ("picofarad or a power factor", "pF, if the display shows it so"),
    "Pf": ("picofarad or a power factor", "pF, if the display shows it so"),
    "mF": ("millifarad or, as on old parts, microfarad", "millifarad, or uF"),
}
_NEVER_NEGATIVE = {Quantity.RESISTANCE: "resistance", Quantity.CAPACITANCE: "capacitance"}


def unit_question(text: str) -> InputError | None:
    """Return the question back about an entry, as an error with its remedy; None if its unit is clear."""
    match = _WORD.search(text)
    if match is not None:
        meanings, remedy = _MEANINGS[match[1]]
        return InputError(f"{match[1]!r} in {text!r} may be {meanings}.", f"Type {remedy}.")
    displayed = parse_displayed_value(text)
    if displayed.quantity in _NEVER_NEGATIVE and displayed.digits is not None and displayed.digits < 0:
        return InputError(
            f"{text!r} is a negative {_NEVER_NEGATIVE[displayed.quantity]}, which no part has.",
            "Switch relative mode off, or leave this reading out.",
        )
    return None


def check_unit(text: str) -> None:
    """Check that the unit of a typed entry has one meaning.

    Raises:
        InputError: it has two, or the text is no displayed value; the message asks which one.
    """
    parse_displayed_value(text)
    question = unit_question(text)
    if question is not None:
        raise question
