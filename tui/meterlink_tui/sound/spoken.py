"""Values, verdicts and warnings as words for the ear. Pure.

Each digit is said by itself, as on the radio: fifteen and fifty sound alike, 'one five' and 'five zero' do not.
"""

import re

from meterlink.core.text import clean_text
from meterlink.core.unit_words import PREFIX_EXPONENTS, PREFIXED_UNITS
from meterlink.core.verdicts import Margin

_LONGEST = 300  # characters; about 20 s of speech
_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_SIGNS = {".": "point", "-": "minus", "\u2212": "minus", "+": "plus"}
_PREFIXES = {"p": "pico", "n": "nano", "µ": "micro", "m": "milli", "": "", "k": "kilo", "M": "mega"}
_UNITS = {"V": "volt", "A": "ampere", "Ω": "ohm", "F": "farad", "Hz": "hertz"}
# A hyphen before a vowel: 'milliohm' and 'megaohm' run together in a synthetic voice.
_UNIT_WORDS = {
    prefix + unit: f"{_PREFIXES[prefix]}{'-' if prefix and unit in 'ΩA' else ''}{_UNITS[unit]}"
    for prefix in PREFIX_EXPONENTS
    for unit in PREFIXED_UNITS
} | {
    "°C": "degree celsius", "°F": "degree fahrenheit", "%": "percent", "AC": "A C", "DC": "D C", "OL": "overload",
}  # fmt: skip
_NUMBER = re.compile(r"[-+\u2212]?[0-9]+(?:\.[0-9]+)*")
# A number with its unit, or a word that is spelled; the longest unit first: µF before F.
_UNIT = "|".join(sorted(map(re.escape, _UNIT_WORDS), key=len, reverse=True))
_SPELLED = re.compile(rf"(?<![\w.])(?P<number>{_NUMBER.pattern})(?:\s?(?P<unit>{_UNIT})(?!\w))?|\b(?P<word>AC|DC|OL)\b")
_PAUSES = str.maketrans({"–": " to ", "·": ", ", "(": ", ", ")": ", ", ";": ", "})


def spoken_number(text: str) -> str:
    """Return a number on a display digit by digit: ``-15.0`` → 'minus one five point zero', ``OL`` → 'overload'."""
    text = clean_text(text)
    if not _NUMBER.fullmatch(text):
        return _UNIT_WORDS.get(text, text)
    return " ".join(_SIGNS.get(char) or _DIGITS[int(char)] for char in text)


def spoken_unit(text: str) -> str:
    """Return a display unit in words, with AC or DC: ``µF`` → 'microfarad', ``V AC`` → 'volt A C'."""
    return " ".join(_UNIT_WORDS.get(word, word) for word in clean_text(text).split())


def spoken_verdict(number: str, unit: str, verdict: str, margin: str | None) -> str:
    """Return an accepted reading: 'five point one microfarad, outside'.

    A close call is said first, so that it is not taken for a pass or a fail: 'close call, just within'.
    """
    verdict = clean_text(verdict)
    value = " ".join(filter(None, (spoken_number(number), spoken_unit(unit))))
    said = f"close call, just {verdict}" if margin == Margin.CLOSE_CALL else verdict
    return ", ".join(filter(None, (value, said)))


def spoken_text(text: str) -> str:
    """Return a sentence for the ear: its values digit by digit, its units in words."""
    said = _SPELLED.sub(_spelled, clean_text(text, _LONGEST)).translate(_PAUSES)
    return re.sub(r"[\s,]+(?=[,.])", "", " ".join(said.split()))


def _spelled(match: re.Match[str]) -> str:
    if match["word"]:
        return _UNIT_WORDS[match["word"]]
    number, unit = spoken_number(match["number"]), match["unit"]
    return f"{number} {_UNIT_WORDS[unit]}" if unit else number


# The step that the first instruction of an advice begins with, in few words.
_STEPS = (
    (re.compile(r"Replace the part\b"), "replace"),
    (re.compile(r"Replace (?P<object>the [a-z -]{1,30}?)(?=[:,.])"), "replace {object}"),
    (re.compile(r"(?:Read|Measure)\b[^.]*\bagain\b"), "measure again"),
    (re.compile(r"Answer the question\b"), "answer the question"),
)
_AGAIN = "measure it again."
_CONFIDENCE = re.compile(r"\((?:very likely|likely)\)\.\s+")


def spoken_step(advice: str) -> str:
    """Return the next step of the station's ``advice`` in few words: 'replace', 'measure again'.

    'replace' is said only where the first instruction is to replace. An advice that begins with anything else is
    read on the screen.
    """
    text = clean_text(advice, _LONGEST)
    instruction = _CONFIDENCE.split(text, maxsplit=1)[-1]
    for pattern, words in _STEPS:
        if match := pattern.match(instruction):
            return words.format_map(match.groupdict())
    if text.endswith(_AGAIN):
        return "measure again"
    return "look at the screen" if text else ""
