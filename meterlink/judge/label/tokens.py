"""The tokens of a capacitor's label: numbers, units, tolerances, separators, words, and marks outside the rating."""

import re
import string
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum, auto
from operator import itemgetter
from typing import NoReturn

from meterlink.core.units import Quantity
from meterlink.judge.label.glyphs import nearby
from meterlink.judge.label.label_units import is_ambiguous_farad, parse_label_unit
from meterlink.judge.label.marks import match_mark
from meterlink.judge.label.unclear import Alternative, UnclearLabelError, leave_out
from meterlink.judge.label.usual_values import (
    LARGEST_PERCENT,
    SPELLED_PERCENT,
    SPELLED_VOLTS,
    is_rarely_made,
    is_usual_capacitance,
    is_usual_dual,
    is_usual_half,
    is_usual_marked_range,
    is_usual_rated_volts,
    is_usual_section,
    is_usual_single,
    is_usual_tolerance,
    is_usual_volts,
)

_NUMBER = r"(?:[0-9]{1,9}(?:\.[0-9]{1,9})?|\.[0-9]{1,9})"

# Words before a value, with or without a space; other letters before digits may be a code.
_LABEL_WORDS = {"C", "COM", "HERM", "FAN", "RUN", "START", "DUAL", "CAP", "CAPACITOR", "MOTOR", "TOL", "MAX", "AC",
                "DC"}  # fmt: skip

LETTERS_MEANT = "JKM"  # the tolerance letters on motor capacitors; common practice, no source

MAX_LABEL_LENGTH = 200  # characters; no can has more


class TokenKind(Enum):
    """The kind of a token."""

    NUMBER = auto()
    CODED = auto()  # 4u7: the letter stands for the decimal point (IEC 60062)
    TOLERANCE = auto()
    SEPARATOR = auto()  # + - / to
    AC = auto()  # ~
    WORD = auto()
    MARK = auto()  # outside the rating: 10,000 AFC


@dataclass(frozen=True, slots=True)
class Token:
    """A token of the text and its span."""

    kind: TokenKind
    text: str
    start: int
    end: int


_SKIPPED = re.compile(r"""[\s;|:()\[\]"'#=@®™]+|,(?![0-9])|(?<![0-9]),|\.(?![0-9A-Za-z.])""")
_COMMA = re.compile(r"([0-9]+),([0-9]+)(?:,[0-9]+)*(\.[0-9]+)?")
_TWO_SIDED = re.compile(
    rf"\+\s*{_NUMBER}\s*%?\s*[/,;]?\s*-\s*{_NUMBER}\s*%|-\s*{_NUMBER}\s*%?\s*[/,;]?\s*\+\s*{_NUMBER}\s*%"
)
_PLUS_MINUS = re.compile(rf"±\s*({_NUMBER})\s*(%|[A-Za-zµ]+)?")
_ONE_SIDED = re.compile(rf"([+-])\s*({_NUMBER})\s*%")
_PERCENT = re.compile(rf"{_NUMBER}\s*%")
_CODED = re.compile(r"([0-9]{1,9})([uUµnNpPrRkKmM])([0-9]{1,9})(?![0-9.])")
_LETTER_FOR_DIGIT = re.compile(
    r"(?:[0-9]+\.?[OoIlSB]|[OoIl]+[0-9])[0-9OoIlSB]*(?:\.[0-9]+)?(?:(?![A-Za-z0-9])|(?=(?i:V|VAC|VDC|MFD|[uµ]F|Hz)(?![A-Za-z])))"
)
_LETTER_AS_SECTION = re.compile(r"([+/-])\s*([SIlB])(?![A-Za-z0-9+/])")  # 45+S MFD
# A number torn by a space before its unit: 4 40 VAC, 5 0 MFD.
_TORN = re.compile(r"([1-9][0-9]?) ([0-9]{1,2})(?=\s*(VAC|V|MFD|[uµ]F)(?![A-Za-z]))", re.IGNORECASE)
_THREE_DIGITS = re.compile(r"([1-9]) ([0-9]) ([0-9])(?=\s*(?:VAC|V)(?![A-Za-z]))", re.IGNORECASE)  # 4 4 0 VAC
_SIGN_BETWEEN = re.compile(r"(?<![0-9.])([0-9]{1,2})([_*\\^xX×])([0-9]{1,3})(?![0-9A-GI-UWYZa-gi-uwyz])")
_DIGITS_ALIKE = str.maketrans("OoIlSB", "001158")
# Other letters that look like digits, only beside a unit: 4A0V, Z5 MFD.
_FURTHER_LETTER = re.compile(
    r"(?=[0-9]*[ADGQZ])(?=[A-Z]*[0-9])([0-9ADGQZOSB]{2,3})\s*(V|VAC|MFD|[uµ]F)(?![A-Za-z])", re.IGNORECASE
)
_FURTHER_ALIKE = str.maketrans("OoSsBbAaDdGgQqZzIL", "005588440066002211")
# x or a line for digits that cannot be read, in the place of a section: xx/5 MFD.
_UNREAD_SECTION = re.compile(
    r"(?:[0-9]?[xX]{1,3}|_{1,3})(?=[/+-][0-9]|\s*(?:MFD|[uµ]F)\b)|(?<=[0-9][/+-])[xX_]{1,3}(?![A-Za-z0-9])"
)
# A point with a space beside it: 7. 5 MFD, 45 .5 MFD.
_LOOSE_POINT = re.compile(r"([0-9]{1,2})(?:\s+\.\s*|\.\s+)([0-9]{1,2})(?![0-9.])")
_LOST_DECIMAL = re.compile(r"([0-9]{1,2})\.(?=\s*(?:MFD|[uµ]F)(?![A-Za-z]))", re.IGNORECASE)  # 7. MFD
_LETTER_IN_PERCENT = re.compile(r"±\s*(?=[0-9]*[OoIlSBGQ])([0-9OoIlSBGQ]{1,2})\s*%")
_UNREAD_VOLTS = re.compile(r"(?=[0-9]*[?x])[0-9?][0-9?x]{2}\s*(?:V|VAC)(?![A-Za-z])", re.IGNORECASE)  # 4?0 V
# Volts with a question mark behind them: AC volts have three digits, so it is a doubt and no digit that cannot be read.
# Without a unit only at the end of the text.
_DOUBTED_VOLTS = re.compile(
    r"(?<![0-9.])([1-9][0-9]{2})\s*(?:\?+\s*(?:(?:VAC|V)(?![A-Za-z])|\Z)|(?:VAC|V)\s*\?+(?!\S))", re.IGNORECASE
)
_LEADING_ZERO = re.compile(r"(0[1-9])(?=\s*(?:MFD|MICROF|[uµ]F|[/+-]\s*[0-9]))", re.IGNORECASE)  # 05 MFD
_ANY_UNIT = re.compile(r"MF|[uµnp]F|V(?![A-Z]{3})|[0-9]{3}", re.IGNORECASE)
_TWICE = re.compile(rf"2\s*[xX]\s*({_NUMBER})(?=\s*[A-Zµu])")
_TWO_POINTS = re.compile(r"([0-9]{2})\.([0-9]{1,2}\.[0-9])(?![0-9.])")
_PLAIN_NUMBER = re.compile(_NUMBER)
# Latin, Greek, Cyrillic, Thai, Japanese, Chinese and Korean letters; no sign that is a number, as ² and ½ are.
_LETTERS = re.compile(
    r"[A-Za-z\u00b5\u00b0\u00c0-\u024f\u0370-\u04ff\u0e01-\u0e2e\u3041-\u30ff\u4e00-\u9fff\uac00-\ud7a3]+(?:[.'’][A-Za-z]+)*(?:\.(?![0-9]))?(?:-[A-Za-z]+)*"
)
_CODE_FROM_DIGITS = re.compile(r"[0-9]+-?([A-Za-z]+)-?[0-9](?:[.-]?[A-Za-z0-9]+)*")
_CODE_TAIL = re.compile(r"-?([0-9]+(?:\.[0-9]+)?)([A-Za-zµ]*)((?:[.-]?[A-Za-z0-9]+)*)")
_BOUND = re.compile(rf"[<>≤≥]\s*{_NUMBER}\s*%?")
_SEPARATOR = re.compile(r"\.\.+|…|[+/-]")


def tokenize(text: str) -> list[Token]:
    """Split ``text``, spelled as by `normalize_label`, into its tokens.

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
        mark = match_mark(text, at)
        if mark:
            found.append(Token(TokenKind.MARK, mark, at, at + len(mark)))
        else:
            found.append(_token(text, at, found[-1] if found else None))
        at = found[-1].end
    return found


def _token(text: str, at: int, before: Token | None) -> Token:
    number_before = before is not None and before.kind in {TokenKind.NUMBER, TokenKind.CODED}
    comma = _COMMA.match(text, at)
    if comma:
        return _number_with_comma(text, comma)
    _ask_about_signs(text, at, number_before=number_before)
    _ask_about_digits(text, at)
    _ask_about_further_letters(text, at)
    _ask_about_torn_numbers(text, at)
    _ask_about_gaps(text, at)
    for pattern, kind in (
        (_TWO_SIDED, TokenKind.TOLERANCE),
        (_PLUS_MINUS, TokenKind.TOLERANCE),
        (_PERCENT, TokenKind.TOLERANCE),
        (_CODED, TokenKind.CODED),
    ):
        match = pattern.match(text, at)
        if match and pattern is _PERCENT:
            _ask_about_percent(match)
        if match:
            return Token(kind, match[0], at, match.end())
    number = _PLAIN_NUMBER.match(text, at)
    if number:
        return _number(text, number)
    letters = _LETTERS.match(text, at)
    if letters:
        return _word(text, letters, number_before=number_before)
    separator = _SEPARATOR.match(text, at)
    if separator and text[at - 1 : at] in {"V", "v"} and re.match(r"-(?!\S)", text[at:]):
        why = f"{text[at - 1 : at + 1]!r} may be the sign of DC, or a dash."
        raise UnclearLabelError(at, at + 1, why, ("DC ", " ; "), is_ordered=False)
    if separator:
        return Token(TokenKind.SEPARATOR, "to" if separator[0][0] in ".…" else separator[0], at, separator.end())
    if text[at] == "~":
        return Token(TokenKind.AC, "~", at, at + 1)
    raise _unknown_sign(text, at)


def _unknown_sign(text: str, at: int) -> UnclearLabelError:
    bound = _BOUND.match(text, at)
    if bound:
        return UnclearLabelError(at, bound.end(), f"{bound[0]!r} is not understood.", (leave_out(bound[0]),))
    # Beside a digit it may be a digit that could not be read: the number is not to be had without it.
    beside_digit = text[at - 1 : at].isdigit() or text[at + 1 : at + 2].isdigit()
    in_chain = re.search(r"[0-9]\s*[/+-]\s*\Z", text[:at]) or re.match(r"\s*[/+-]\s*[0-9]", text[at + 1 :])
    alternatives = () if beside_digit or in_chain else (leave_out(text[at]),)
    return UnclearLabelError(at, at + 1, f"{text[at]!r} is not understood.", alternatives)


def _ask_about_torn_numbers(text: str, at: int) -> None:
    """Ask about a number that spaces may tear.

    Raises:
        UnclearLabelError: one of these begins at ``at``.
    """
    torn = None if text[at - 1 : at].isalnum() or text[at - 1 : at] in {".", ","} else _TORN.match(text, at)
    if torn:
        first, second, unit = torn.groups()
        whole, rest = Decimal(first + second), Decimal(second)
        if unit.upper() in {"V", "VAC"}:
            is_torn = is_usual_volts(whole) and not is_usual_volts(rest)
        else:
            is_torn = rest == 0 and is_usual_capacitance(whole)
        if is_torn:
            why = f"{torn[0]!r} may be one number with a space in it."
            end = torn.end(3)
            alternatives = (f" {first}{second} {unit}", leave_out(text[at:end]))
            raise UnclearLabelError(at, end, why, alternatives, is_ordered=False)
    spaced = None if text[at - 1 : at].isalnum() else _THREE_DIGITS.match(text, at)
    if spaced and is_usual_rated_volts(Decimal("".join(spaced.groups()))):
        why = f"{spaced[0]!r} may be one number with spaces in it."
        volts = f" {''.join(spaced.groups())}"
        raise UnclearLabelError(at, spaced.end(), why, (volts, leave_out(spaced[0])), is_ordered=False)


def _ask_about_gaps(text: str, at: int) -> None:
    """Ask about two numbers with a loose point or an unusual sign between them.

    Raises:
        UnclearLabelError: they begin at ``at``.
    """
    point = None if text[at - 1 : at].isalnum() or text[at - 1 : at] in {".", ","} else _LOOSE_POINT.match(text, at)
    if point:
        first, second = point.groups()
        meant = [f" {first}.{second}"] if is_usual_half(Decimal(f"{first}.{second}")) else []
        meant += [f" {first}+{second}"] if is_usual_dual(Decimal(first), Decimal(second)) else []
        if meant:
            why = f"The point in {point[0]!r} may be a decimal sign, or a worn plus."
            only = Alternative(f" | {second}", (first,))
            raise UnclearLabelError(at, point.end(), why, (*meant, only), is_ordered=False)
    lost = None if text[at - 1 : at].isalnum() or text[at - 1 : at] in {".", ","} else _LOST_DECIMAL.match(text, at)
    if lost:
        half = [f" {lost[1]}.5 "] if is_usual_half(Decimal(f"{lost[1]}.5")) else []
        why = f"Behind the point of {lost[0]!r} a digit may be lost."
        raise UnclearLabelError(at, lost.end(), why, (f" {lost[1]} ", *half), is_ordered=False)
    signed = _SIGN_BETWEEN.match(text, at)
    if signed:
        first, sign, second = signed.groups()
        pair = Decimal(first), Decimal(second)
        meant = [f"{first}+{second}"] if is_usual_dual(*pair) else []
        if is_usual_rated_volts(pair[1]):  # 5x440
            meant.append(f"{first} {second}")
        if set(pair) == {Decimal(50), Decimal(60)}:
            meant.append(f"{first}/{second}")
        if sign != "x" and is_usual_half(pair[0] + pair[1] / 10):
            meant.append(f"{first}.{second}")
        if meant:
            why = f"{signed[0]!r} has an unusual sign between two numbers."
            raise UnclearLabelError(at, signed.end(), why, (*meant, leave_out(signed[0])))


def _number_with_comma(text: str, comma: re.Match[str]) -> Token:
    """Read a decimal comma where the two numbers cannot be the sections of a dual part, or thousands.

    Raises:
        UnclearLabelError: the comma may stand between two values or thousands.
    """
    whole, rest, point = comma.groups()
    at, end = comma.span()
    written = comma[0]
    if point:
        raise UnclearLabelError(at, end, f"{written!r} has a comma and a point.", (leave_out(written),))
    decimal, several = f"{whole}.{rest}", written.count(",") > 1
    unit = _LETTERS.match(text, end + (text[end : end + 1] == " "))
    named = None if unit is None else parse_label_unit(unit[0])
    rates = None if named is None else named.quantity
    if rest == "000" and not several and rates is Quantity.VOLTAGE:
        return Token(TokenKind.NUMBER, whole + rest, at, end)
    pair = [Decimal(whole), Decimal(rest)]
    alternatives: list[Alternative | str] = []
    if is_usual_volts(pair[1]) and not is_usual_volts(pair[0]) and rates is not Quantity.CAPACITANCE:
        alternatives = [f"{whole} {rest}"]
    elif is_usual_dual(*pair):
        alternatives = [f"{whole}+{rest}"]
    elif all(map(is_usual_volts, pair)) or set(pair) == {Decimal(50), Decimal(60)}:
        alternatives = [f"{whole}/{rest}"]
    elif len(rest) == 3:
        alternatives = [decimal, whole + rest]
    elif not several and rates is not Quantity.VOLTAGE:
        return Token(TokenKind.NUMBER, decimal, at, end)
    why = f"The comma in {written!r} may be a decimal sign, or stand between two values or thousands."
    raise UnclearLabelError(at, end, why, (*alternatives, leave_out(written)))


def _ask_about_signs(text: str, at: int, *, number_before: bool) -> None:
    two = _TWO_SIDED.match(text, at)
    if two and number_before and text[at] == "+" and not text[at - 1].isspace():
        why = f"{two[0]!r} after a number without a unit may be a second value or a tolerance."
        raise UnclearLabelError(at, two.end(), why, (f" uF {two[0]}", leave_out(two[0])))
    one = _ONE_SIDED.match(text, at)
    if one and not two:
        sign, side = one.groups()
        one_sided = (f" -0/+{side} %",) if sign == "+" and Decimal(side) >= 10 else ()
        why = f"{one[0]!r} gives one side of a tolerance only."
        raise UnclearLabelError(at, one.end(), why, (f" ±{side} %", *one_sided, leave_out(one[0])))
    bare = _PLUS_MINUS.match(text, at)
    unit = parse_label_unit(bare[2]) if bare and bare[2] and bare[2] != "%" else None
    if bare and number_before and unit is not None and unit.quantity is Quantity.CAPACITANCE:
        side, spelled = bare[1], bare[2]
        why = f"The unit of {bare[0]!r} may be that of the value before it."
        in_percent = (f" uF ±{side} % ",) if is_usual_tolerance(Decimal(side)) else ()
        without = Alternative(" uF ", (f"±{side}",))
        raise UnclearLabelError(at, bare.end(), why, (*in_percent, f" uF ±{side} {spelled}", without), is_ordered=False)
    if bare and unit is not None and unit.quantity is not Quantity.CAPACITANCE:
        why = f"{bare[0]!r} is no tolerance of a capacitance."
        raise UnclearLabelError(at, bare.end(), why, (Alternative(f" {bare[1]} {bare[2]}", ("±",)), leave_out(bare[0])))
    if bare and bare[2] is None:
        why = f"{bare[0].strip()!r} has no unit: percent, or µF?"
        meant = f"±{bare[1]} % " if is_usual_tolerance(Decimal(bare[1])) else f"±{bare[1]} uF "
        raise UnclearLabelError(at, bare.end(), why, (meant, leave_out(bare[0])))


def _ask_about_digits(text: str, at: int) -> None:
    unread = None if text[at - 1 : at].isalnum() else _UNREAD_SECTION.match(text, at)
    if unread:
        raise UnclearLabelError(at, unread.end(), f"{unread[0]!r} stands in the place of a section.", ())
    volts = None if text[at - 1 : at].isalnum() else _UNREAD_VOLTS.match(text, at)
    if volts:
        raise UnclearLabelError(at, volts.end(), f"{volts[0]!r} lacks a digit.", (leave_out(volts[0]),))
    _ask_about_doubted_volts(text, at)
    percent = _LETTER_IN_PERCENT.match(text, at)
    alike = percent[1].upper().translate(_FURTHER_ALIKE) if percent else ""
    if percent and is_usual_tolerance(Decimal(alike)):
        why = f"{percent[0]!r} has a letter in a number: a digit that looks like it?"
        raise UnclearLabelError(at, percent.end(), why, (f" ±{alike} % ", leave_out(percent[0])), is_ordered=False)
    twice = _TWICE.match(text, at)
    if twice:
        two, one = f" {twice[1]}+{twice[1]}", Alternative(f" {twice[1]}", ("2 x",))
        raise UnclearLabelError(at, twice.end(), f"{twice[0]!r} may be two sections.", (two, one), is_ordered=False)
    section = _LETTER_AS_SECTION.match(text, at) if text[:at].rstrip()[-1:].isdigit() else None
    if section:
        sign, letter = section.groups()
        why = f"{letter!r} stands in the place of a number: a digit that looks like it?"
        spelled = f"{sign}{letter.translate(_DIGITS_ALIKE)} "
        raise UnclearLabelError(at, section.end(), why, (spelled, leave_out(section[0])), is_ordered=False)
    letters = _LETTER_FOR_DIGIT.match(text, at)
    if letters:
        digits = letters[0].translate(_DIGITS_ALIKE)
        meant = f" {digits} "
        number = re.sub("[^0-9.]", " ", letters[0]).strip()
        mark = letters[0].removeprefix(number)
        without = (Alternative(f" {number} ", (mark,)),) if mark in {"S", "B"} else ()
        why = f"{letters[0]!r} has a letter in a number: a digit that looks like it?"
        alternatives = (meant, *without, leave_out(letters[0]))
        raise UnclearLabelError(at, letters.end(), why, alternatives, is_ordered=False)


def _ask_about_doubted_volts(text: str, at: int) -> None:
    """Ask about volts that a person doubts: as typed, the rated ones that one glyph makes of them, or none.

    Raises:
        UnclearLabelError: such volts begin at ``at``.
    """
    doubted = _DOUBTED_VOLTS.match(text, at)
    if doubted is None or ("V" not in doubted[0].upper() and not is_usual_rated_volts(Decimal(doubted[1]))):
        return
    written, typed = doubted[0], doubted[1]
    near = sorted(nearby(typed, SPELLED_VOLTS), key=itemgetter(1))
    others = (Alternative(f" {volts} V ", (written,)) for volts, _ in near if volts != typed)
    alternatives = (Alternative(f" {typed} V ", ("?",)), *others, leave_out(written))
    raise UnclearLabelError(at, doubted.end(), f"{written!r} is in doubt.", alternatives, is_ordered=False)


def _ask_about_further_letters(text: str, at: int) -> None:
    further = None if text[at - 1 : at].isalnum() else _FURTHER_LETTER.match(text, at)
    if not further:
        return
    written, unit = further.groups()
    digits, rest = written.translate(_FURTHER_ALIKE), written.lstrip(string.ascii_letters)
    of_volts = unit.upper() in {"V", "VAC"}
    alternatives: list[Alternative | str] = []
    if digits[0] != "0" and (is_usual_rated_volts if of_volts else is_usual_section)(Decimal(digits)):
        alternatives.append(f" {digits} {unit}")
    if rest.isdigit() and (is_usual_volts if of_volts else is_usual_capacitance)(Decimal(rest)):
        alternatives.append(Alternative(f" {rest} {unit}", (written.removesuffix(rest),)))
    if alternatives:
        why = f"{written!r} has a letter in a number: a digit that looks like it?"
        raise UnclearLabelError(at, further.end(), why, (*alternatives, leave_out(further[0])), is_ordered=False)


def _ask_about_percent(match: re.Match[str]) -> None:
    # Without a sign it may be a humidity or a duty cycle as well.
    percent = Decimal(match[0].rstrip("%").rstrip())
    if is_usual_tolerance(percent):
        return
    tolerance: list[Alternative | str] = [f" ±{percent} % "] if 0 < percent <= LARGEST_PERCENT else []
    tolerance += [Alternative(f" ±{usual} % ", (match[0],)) for usual, _ in nearby(f"{percent:f}", SPELLED_PERCENT)]
    why = f"{match[0]!r} is no usual tolerance of such a part."
    raise UnclearLabelError(match.start(), match.end(), why, (*tolerance, leave_out(match[0])), is_ordered=False)


def _number(text: str, number: re.Match[str]) -> Token:
    at, end = number.span()
    code = _CODE_FROM_DIGITS.match(text, at)
    # Four digits behind an F are no volts: the F ends no capacitance.
    is_article = code and is_ambiguous_farad(code[1]) and re.search(r"[0-9]{4}\Z", code[0])
    alike = re.fullmatch(r"([0-9]+)-([0-9]+)", code[0].translate(_DIGITS_ALIKE)) if code else None
    if code and alike and _is_usual_pair(Decimal(alike[1]), Decimal(alike[2])):
        why = f"{code[0]!r} has a letter in a number: a digit that looks like it?"
        raise UnclearLabelError(at, code.end(), why, (alike[0], leave_out(code[0])), is_ordered=False)
    if code and (is_article or not _ends_a_value(code[1])):
        why = f"{code[0]!r} may be a code."
        raise UnclearLabelError(at, code.end(), why, (leave_out(code[0]),))
    zero = _LEADING_ZERO.match(text, at)
    if zero and not text[at - 1 : at].isalnum():
        stripped, swapped = zero[1].lstrip("0"), zero[1][1] + "0"
        meant = (f" {swapped}",) if is_usual_single(Decimal(swapped)) else ()
        why = f"{zero[1]!r} begins with a zero: did two digits change places, or is one lost?"
        raise UnclearLabelError(at, zero.end(1), why, (f" {stripped}", *meant, leave_out(zero[1])), is_ordered=False)
    rest = text[end : end + 2]
    if rest[:1].isdigit() or (rest[:1] == "." and rest[1:].isdigit()):
        _refuse_number(text, number)
    if number[0].startswith(".") and at and text[at - 1].isalnum():
        why = f"The point in {text[at - 1 : end]!r} may be a decimal sign or end the word before it."
        raise UnclearLabelError(at, end, why, (f" 0{number[0]}", f" {number[0][1:]}", leave_out(number[0])))
    return Token(TokenKind.NUMBER, number[0], at, end)


def _is_usual_pair(first: Decimal, second: Decimal) -> bool:
    return is_usual_dual(first, second) or is_usual_marked_range(first, second)


def _refuse_number(text: str, number: re.Match[str]) -> NoReturn:
    """Ask about more points or digits than a number has; the first point may be a worn plus: 55.7.5.

    Raises:
        UnclearLabelError: always.
    """
    at, end = number.span()
    two = _TWO_POINTS.match(text, at)
    if two and is_usual_dual(Decimal(two[1]), Decimal(two[2])):
        raise UnclearLabelError(at, two.end(), f"{two[0]!r} has two points.", (f"{two[1]}+{two[2]}", leave_out(two[0])))
    raise UnclearLabelError(at, end, f"{text[at : end + 2]!r}… is not a number.", ())


def _ends_a_value(letters: str) -> bool:
    """Return whether ``letters`` between two numbers end the first or begin the second: 45uF440V, 40HERM5FAN."""
    unit = parse_label_unit(letters)
    rated = {Quantity.CAPACITANCE, Quantity.VOLTAGE, Quantity.FREQUENCY}
    return (
        (unit is not None and unit.quantity in rated)
        or is_ambiguous_farad(letters)
        or letters.upper() in _LABEL_WORDS | {"J", "TO"}
    )


def _word(text: str, letters: re.Match[str], *, number_before: bool) -> Token:
    at, end = letters.span()
    tail = _CODE_TAIL.match(text, end)
    is_unit = parse_label_unit(letters[0]) is not None or is_ambiguous_farad(letters[0])
    if tail is None or (number_before and is_unit) or letters[0].upper().split("-")[-1] in _LABEL_WORDS:
        # After a unit or a word of labels the next number starts: 45uF440V, HERM45.
        return Token(TokenKind.SEPARATOR if letters[0].lower() == "to" else TokenKind.WORD, letters[0], at, end)
    number, suffix, more = tail.groups()
    written = text[at : tail.end()]
    split: tuple[Alternative | str, ...] = ()
    value = Decimal(number)
    if not suffix and not _ANY_UNIT.search(text):  # BELT A45: nothing says that it is a rating
        raise UnclearLabelError(at, tail.end(), f"{written!r} may be a code.", (leave_out(written),))
    if not more and (not suffix or parse_label_unit(suffix)) and (is_usual_capacitance(value) or is_usual_volts(value)):
        split = (Alternative(f" {number}{suffix}", (letters[0],)),)
        if not suffix and letters[0].upper() in LETTERS_MEANT:  # K40: a tolerance letter before the value?
            split = (*split, f" {letters[0].upper()} {number}")
    digits = f"{letters[0].translate(_DIGITS_ALIKE)}{number}"
    if (
        not more
        and not text[at - 1 : at].isalnum()
        and digits.isascii()
        and digits.isdigit()
        and (is_usual_section(Decimal(digits)) or is_rarely_made(Decimal(digits)))
    ):
        split = (f" {digits}{suffix}", *split)  # B0/5: a digit that looks like the letter?
    why = f"{written!r} may be a code, or letters before a value."
    raise UnclearLabelError(at, tail.end(), why, (*split, leave_out(written)))
