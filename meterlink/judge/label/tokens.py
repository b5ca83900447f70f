"""The tokens of a capacitor's label: numbers, units, tolerances, separators, words."""

import re
from dataclasses import dataclass
from enum import Enum, auto

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.unit_words import MICROFARAD_LABEL_WORDS
from meterlink.core.units import Quantity, parse_unit_word, quantity_of

_NUMBER = r"(?:[0-9]{1,9}(?:\.[0-9]{1,9})?|\.[0-9]{1,9})"

# Marks with digits but no rating: IEC 60252-1 safety protection classes (S0 to S3 in the later edition, P0 to P2
# in the earlier one) and IEC 60068-1 climatic categories (both from memory).
_KNOWN_MARKS = {"S0", "S1", "S2", "S3", "P0", "P1", "P2"}
_CLIMATE = r"(?:10|25|40|55)/0?[0-9]{2,3}/(?:04|10|21|56)(?![0-9.])(?!\s*(?:V|k|M|m|u|µ|n|p|F|Hz))"

# Words before a value, with or without a space; other letters before digits are a code.
_LABEL_WORDS = {"C", "COM", "HERM", "FAN", "RUN", "START", "DUAL", "CAP", "CAPACITOR", "MOTOR", "TOL", "MAX", "AC"}

_SPELLED_ALIKE = str.maketrans(
    {
        "\u03bc": "µ",  # Greek mu looks like the micro sign
        "\u2126": "Ω",
        "\u2212": "-",
        "\u2010": "-",
        "\u2011": "-",
        "\u2013": "-",
        "\u2014": "-",
        "\u223c": "~",
        "&": "+",
        "％": "%",
    }
)

MAX_LABEL_LENGTH = 120  # characters; no label has more about its rating


class TokenKind(Enum):
    """The kind of a token."""

    NUMBER = auto()
    CODED = auto()  # 4u7: the letter stands for the decimal point (IEC 60062)
    TOLERANCE = auto()
    SEPARATOR = auto()  # + - / to
    AC = auto()  # ~
    WORD = auto()
    MARK = auto()  # letters and digits that are not a rating: S2, CBB65


@dataclass(frozen=True, slots=True)
class Token:
    """A token of the text and its span."""

    kind: TokenKind
    text: str
    start: int
    end: int


class UnclearLabelError(Exception):
    """The text from ``start`` to ``end`` has several meanings, or none that is known.

    ``alternatives`` are texts to put in its place, each with one meaning. `parse_rating` turns it into an InputError.
    """

    def __init__(self, start: int, end: int, reason: str, alternatives: tuple[str, ...]) -> None:
        super().__init__(reason)
        self.start = start
        self.end = end
        self.reason = reason
        self.alternatives = alternatives


@dataclass(frozen=True, slots=True)
class LabelUnit:
    """The unit after a number; ``tolerance_letter`` is a tolerance letter attached to it (``uFJ``)."""

    symbol: str
    quantity: Quantity
    is_dc: bool = False
    tolerance_letter: str = ""


def normalize_label(text: str) -> str:
    """Return ``text`` with look-alike signs replaced, and every spelling of plus-minus as ±."""
    return re.sub(r"\+\s*/\s*-|\+-", "±", text.translate(_SPELLED_ALIKE))


def parse_label_unit(word: str) -> LabelUnit | None:
    """Return the unit that ``word`` spells, None for no unit and for MF, mF and F (`is_ambiguous_farad`)."""
    bare = word.replace(".", "")
    if bare.lower() in MICROFARAD_LABEL_WORDS:
        return LabelUnit("µF", Quantity.CAPACITANCE)
    if is_ambiguous_farad(word):
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
        return LabelUnit(unit_word.unit, quantity, is_dc=unit_word.coupling is Coupling.DC, tolerance_letter=letter)
    return None


def is_ambiguous_farad(word: str) -> bool:
    """Return whether ``word`` is MF, mF or F: microfarad on old parts, but officially another unit."""
    return word.replace(".", "").lower() in {"mf", "f"}


_SKIPPED = re.compile(r"""[\s;|:()"]+|,(?![0-9])|(?<![0-9]),|\.(?![0-9A-Za-z.])""")
_COMMA = re.compile(r"([0-9]+),([0-9]+)")
_TWO_SIDED = re.compile(
    rf"\+\s*{_NUMBER}\s*%?\s*[/,;]?\s*-\s*{_NUMBER}\s*%|-\s*{_NUMBER}\s*%?\s*[/,;]?\s*\+\s*{_NUMBER}\s*%"
)
_PLUS_MINUS = re.compile(rf"±\s*({_NUMBER})\s*(%|[A-Za-zµ]+)?")
_ONE_SIDED = re.compile(rf"([+-])\s*({_NUMBER})\s*%")
_PERCENT = re.compile(rf"{_NUMBER}\s*%")
_CODED = re.compile(r"([0-9]{1,9})([uUµnNpPrRkKmM])([0-9]{1,9})(?![0-9.])")
_PLAIN_NUMBER = re.compile(_NUMBER)
_CLIMATIC = re.compile(_CLIMATE)
_LETTERS = re.compile(r"[A-Za-zµΩ°]+(?:\.[A-Za-z]+)*(?:\.(?![0-9]))?(?:-[A-Za-z]+)*")
_TAIL = re.compile(r"[0-9][A-Za-z0-9-]*")
_SEPARATOR = re.compile(r"\.\.+|…|[+/-]")


def tokenize(text: str) -> list[Token]:
    """Split ``text``, normalized by `normalize_label`, into its tokens.

    Raises:
        UnclearLabelError: a part of the text is not a token, or has several meanings.
    """
    found: list[Token] = []
    at = 0
    while at < len(text):
        skipped = _SKIPPED.match(text, at)
        if skipped:
            at = skipped.end()
            continue
        piece = _piece(text, at, found[-1] if found else None)
        found.append(piece)
        at = piece.end
    return found


def _piece(text: str, at: int, before: Token | None) -> Token:
    number_before = before is not None and before.kind in {TokenKind.NUMBER, TokenKind.CODED}
    _ask_about_commas_and_signs(text, at, number_before=number_before)
    for pattern, what in (
        (_TWO_SIDED, TokenKind.TOLERANCE),
        (_PLUS_MINUS, TokenKind.TOLERANCE),
        (_PERCENT, TokenKind.TOLERANCE),
        (_CLIMATIC, TokenKind.MARK),
        (_CODED, TokenKind.CODED),
    ):
        match = pattern.match(text, at)
        if match:
            return Token(what, match[0], at, match.end())
    number = _PLAIN_NUMBER.match(text, at)
    if number:
        rest = text[number.end() : number.end() + 2]
        if rest[:1].isdigit() or (rest[:1] == "." and rest[1:].isdigit()):
            raise UnclearLabelError(at, number.end(), f"{text[at : number.end() + 2]!r}… is not a number.", ())
        if number[0].startswith(".") and at and text[at - 1].isalnum():
            why = f"The point in {text[at - 1 : number.end()]!r} may be a decimal sign or end the word before it."
            raise UnclearLabelError(at, number.end(), why, (f" 0{number[0]}", f" {number[0][1:]}"))
        return Token(TokenKind.NUMBER, number[0], at, number.end())
    letters = _LETTERS.match(text, at)
    if letters:
        return _word(text, letters, number_before=number_before)
    separator = _SEPARATOR.match(text, at)
    if separator:
        return Token(TokenKind.SEPARATOR, "to" if separator[0][0] in ".…" else separator[0], at, separator.end())
    if text[at] == "~":
        return Token(TokenKind.AC, "~", at, at + 1)
    raise UnclearLabelError(at, at + 1, f"{text[at]!r} is not understood.", (" ",))


def _ask_about_commas_and_signs(text: str, at: int, *, number_before: bool) -> None:
    comma = _COMMA.match(text, at)
    if comma:
        whole, rest = comma.groups()
        thousands = (f"{whole}{rest}",) if len(rest) == 3 else ()
        why = f"The comma in {comma[0]!r} may be a decimal sign or part two values."
        raise UnclearLabelError(at, comma.end(), why, (f"{whole}.{rest}", f"{whole}+{rest}", *thousands))
    two = _TWO_SIDED.match(text, at)
    if two and number_before and text[at] == "+" and not text[at - 1].isspace():
        why = f"{two[0]!r} after a number without a unit may be a second value or a tolerance."
        raise UnclearLabelError(at, two.end(), why, (f" uF {two[0]}",))
    one = _ONE_SIDED.match(text, at)
    if one and not two:
        sign, side = one.groups()
        other = f"-0/+{side} %" if sign == "+" else f"-{side}/+0 %"
        why = f"{one[0]!r} gives one side of a tolerance only."
        raise UnclearLabelError(at, one.end(), why, (f" ±{side} %", f" {other}"))
    bare = _PLUS_MINUS.match(text, at)
    if bare and bare[2] is None:
        why = f"{bare[0].strip()!r} has no unit: percent?"
        raise UnclearLabelError(at, bare.end(), why, (f"±{bare[1]} % ", f"±{bare[1]} uF "))


def _word(text: str, letters: re.Match[str], *, number_before: bool) -> Token:
    at, end = letters.span()
    tail = _TAIL.match(text, end)
    if tail is None:
        return Token(TokenKind.SEPARATOR if letters[0].lower() == "to" else TokenKind.WORD, letters[0], at, end)
    is_unit = parse_label_unit(letters[0]) is not None or is_ambiguous_farad(letters[0])
    if (number_before and is_unit) or letters[0].upper() in _LABEL_WORDS:
        return Token(TokenKind.WORD, letters[0], at, end)  # 45uF440V, HERM45: the next number starts here
    mark = text[at : tail.end()]
    if mark.upper() in _KNOWN_MARKS or (len(letters[0]) >= 2 and not is_unit):
        return Token(TokenKind.MARK, mark, at, tail.end())
    raise UnclearLabelError(at, tail.end(), f"{mark!r} is not understood.", (" ",))
