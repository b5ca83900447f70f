"""The capacitance of a label: the sections or the marked range, and the tolerance."""

import re
from collections.abc import Sequence
from decimal import Decimal

from meterlink.core.equipment import Span
from meterlink.core.errors import InputError
from meterlink.core.units import Amount, resolution_of
from meterlink.judge.judging import format_decimal
from meterlink.judge.label.bare_numbers import bare_number_question, is_code
from meterlink.judge.label.chains import Chain, Label, microfarads
from meterlink.judge.label.glued_digits import spell_glued_capacitance
from meterlink.judge.label.tokens import TokenKind
from meterlink.judge.label.unclear import Alternative, UnclearLabelError, leave_out
from meterlink.judge.label.usual_values import (
    CONTINUOUS_VOLTS,
    CapacitorKind,
    is_usual_dual,
    is_usual_half,
    may_be_range,
    sections_differ,
)
from meterlink.judge.tolerance import Tolerance, parse_tolerance

RATING_EXAMPLE = "45+7.5 uF ±6 % 440 V"

_LEAST = Decimal("1e-6")  # µF: a picofarad, far below any motor capacitor
_MOST = Decimal(100_000)  # µF: seventy times the largest start capacitor; farads are no rating of such a part
_FINEST = Decimal("1e-9")  # µF: the last decimal of a rating, so that it prints as it is read

# Terminals, and the loads on them in the languages of the Americas. Common practice, no source.
_HERM_WORDS = {"HERM", "C-HERM", "H", "C-H", "COMP", "COMPRESSOR", "COMPRESOR", "COMPRESSEUR", "HERMETICO", "HERMÉTICO"}
_FAN_WORDS = {"FAN", "C-FAN", "F", "C-F", "VENTILADOR", "VENTILATEUR"}
_LETTERS = re.compile(r"[^\W\d_]+")

_NOUNS_BETWEEN = {"MOTOR", "SIDE", "SECTION", "TERMINAL"}  # between a terminal's word and its value: FAN SIDE 5 uF


def find_capacitance(label: Label) -> Chain:
    """Return the one capacitance of a label.

    Raises:
        UnclearLabelError: there are two, or a number has no unit.
        InputError: there is none.
    """
    known = [chain for chain in label.chains if chain.quantity is not None]
    bare = [chain for chain in label.chains if chain.quantity is None]
    if bare and label.unit is not None and not known and not is_code(label, bare[0]):
        known = [bare.pop(0)]
        for value in known[0].values:
            value.unit = label.unit
    if len(bare) == len(known) == 1:
        named = _sections_by_name(label, sorted((bare[0], known[0]), key=lambda chain: chain.start))
        if named is not None:  # HERM 40 / FAN 7.5 MFD
            return named
    named = _sections_by_name(label, bare) if len(bare) == 2 and not known else None
    if named is not None and is_usual_dual(named.values[0].number, named.values[1].number):
        herm, fan = (f"{value.number:f}" for value in named.values)
        start, end = bare[0].start, bare[1].end
        why = f"{label.text[start:end]!r} has no unit."
        raise UnclearLabelError(start, end, why, (f"{herm}+{fan} uF ",))
    if bare:
        question = bare_number_question(label, bare[0], known)
        raise question
    if not known:
        text = label.text.strip()
        raise InputError(f"{text!r} names no capacitance.", f"Write the rating as {RATING_EXAMPLE}.")
    return known[0] if len(known) == 1 else _named_sections(label, known)


def _named_sections(label: Label, chains: Sequence[Chain]) -> Chain:
    """Return the sections of a dual capacitor that its terminals name: ``HERM 45 uF FAN 5 uF``.

    Raises:
        UnclearLabelError: the values are not named so.
    """
    named = _sections_by_name(label, chains) if len(chains) == 2 else None
    if named is not None:
        return named
    first, second = chains[:2]
    written = [label.written(chain) for chain in (first, second)]
    between = label.text[first.end : second.start]
    why = f"{written[0]!r} and {written[1]!r} are two capacitances: a dual part?"
    apart = sections_differ(*(microfarads(chain.values[0]).digits for chain in (first, second)))
    dual = (f"{written[0]}+{written[1]} {between}",) if apart else ()
    only_first = Alternative(f"{written[0]} {between} | ", (written[1],))
    only_second = Alternative(f" | {between} {written[1]}", (written[0],))
    raise UnclearLabelError(first.start, second.end, why, (*dual, only_first, only_second))


def _sections_by_name(label: Label, chains: Sequence[Chain]) -> Chain | None:
    """Return the sections of a dual capacitor if a terminal's word stands on the same side of each of two values."""
    if any(len(chain.values) != 1 for chain in chains):
        return None
    for step in (-1, 1):
        names = [_word_beside(label, chain, step) for chain in chains]
        herm = next((chain for chain, name in zip(chains, names, strict=True) if name in _HERM_WORDS), None)
        fan = next((chain for chain, name in zip(chains, names, strict=True) if name in _FAN_WORDS), None)
        if herm and fan and microfarads(herm.values[0]).digits > microfarads(fan.values[0]).digits:
            return Chain([*herm.values, *fan.values], ["+"], chains[0].tokens)
    return None


def _word_beside(label: Label, chain: Chain, step: int) -> str:
    """Return the word before (``step`` -1) or after (1) a chain, a separator and a noun between, in capitals."""
    place = chain.tokens[0] - 1 if step < 0 else chain.tokens[1]
    token = label.token(place)
    while token is not None and (token.kind is TokenKind.SEPARATOR or token.text.upper() in _NOUNS_BETWEEN):
        place += step
        token = label.token(place)
    return "" if token is None else token.text.upper()


def is_fan_alone(text: str) -> bool:
    """Return whether the words of a label name a fan, and no compressor; an F or an H alone is as often a class."""
    words = {word for word in _LETTERS.findall(text.upper()) if len(word) > 1}
    return bool(words & _FAN_WORDS) and not words & _HERM_WORDS


def sections_or_range(label: Label, chain: Chain) -> tuple[tuple[Amount, ...], Span | None]:
    """Return ``(sections, marked_range)`` of a capacitance: the sections in µF, the larger first, or the range.

    Raises:
        UnclearLabelError: two values may be either.
        InputError: a value or their number is impossible for a motor capacitor, or contradicts its known kind.
    """
    values = _possible_values(label, chain)
    if len(values) == 1:
        return (values[0],), None
    first, second = (value.digits for value in values)
    separator = chain.separators[0]
    _ask_about_lone_sign(label, chain, first, second)
    # 12-5: no part has a section of 12 µF, many have 12.5 µF.
    is_point = separator == "-" and is_usual_half(first + second / 10) and not is_usual_dual(first, second)
    if not is_point and _means_sections(separator, first, second) and label.kind is not CapacitorKind.START:
        return tuple(sorted(values, key=lambda value: value.digits, reverse=True)), None
    if separator == "to" and first >= second:
        written = label.written(chain)
        raise InputError(f"{written!r}: the range ends before it begins.", f"Write {second} to {first} uF.")
    # A slash makes a range only of a start capacitor, a dash also where the kind is not known.
    ranges = label.kind is CapacitorKind.START or (separator == "-" and label.kind is None)
    if separator == "to" or (ranges and may_be_range(first, second)):
        return (), Span(first, second, "µF")
    question = _pair_question(label, chain, first, second)
    raise question


def _ask_about_lone_sign(label: Label, chain: Chain, first: Decimal, second: Decimal) -> None:
    """Ask about a dash that a space separates from the value before it only: 55 -5 may end in a tolerance.

    Raises:
        UnclearLabelError: it is one of these.
    """
    if (
        label.text[chain.values[0].end : chain.values[1].start].lstrip() != "-"
        or not label.text[chain.values[0].end].isspace()
    ):
        return
    written = label.written(chain)
    together = [f"{first}+{second} uF "] if sections_differ(first, second) else []
    together += [f"{first} to {second} uF "] if may_be_range(first, second) else []
    alone = Alternative(f"{first} uF ", (f"-{second}",))
    why = f"The sign in {written!r} may stand between two values, or before the second."
    raise UnclearLabelError(chain.start, chain.end, why, (*together, alone), is_ordered=False)


def _possible_values(label: Label, chain: Chain) -> list[Amount]:
    values = [microfarads(value) for value in chain.values]
    written = label.written(chain)
    _ask_about_glued_digits(chain, values)
    if any(value.digits <= 0 for value in values):
        raise InputError(f"{written!r}: no part is rated at nothing.", "Check the number.")
    if any(not _LEAST <= value.digits <= _MOST or resolution_of(value.digits) < _FINEST for value in values):
        raise InputError(f"{written!r} is no rating of a motor capacitor.", "Check the unit.")
    if len(values) > 2:
        raise InputError(f"{written!r} has more than two values.", f"Write one part at a time: {RATING_EXAMPLE}.")
    return values


def _ask_about_glued_digits(chain: Chain, values: Sequence[Amount]) -> None:
    """Ask about one impossible number that is a usual capacitance with its sign lost: 189227.

    Raises:
        UnclearLabelError: it is one of these.
    """
    if len(values) > 1 or values[0].digits <= _MOST:
        return
    digits = f"{chain.values[0].number:f}"
    spelled = tuple(f" {capacitance} uF " for capacitance in spell_glued_capacitance(digits))
    if spelled:
        why = f"No motor capacitor has {digits} µF: is a sign or a space lost?"
        raise UnclearLabelError(chain.start, chain.end, why, spelled, is_ordered=False)


def _means_sections(separator: str, first: Decimal, second: Decimal) -> bool:
    match separator:
        case "+":
            return True
        case "/":
            return sections_differ(first, second)
        case "-":
            return first > second and sections_differ(first, second)
        case _:
            return False


def _pair_question(label: Label, chain: Chain, first: Decimal, second: Decimal) -> UnclearLabelError:
    """Return the question whether two values are sections or a range.

    Raises:
        InputError: they can be neither.
    """
    written = label.written(chain)
    small, large = sorted((first, second))
    alternatives = []
    is_range_sign = chain.separators[0] == "-" and first < second  # 108-310: a wide range, printed all the same
    if is_range_sign or may_be_range(small, large):
        alternatives.append(f"{format_decimal(small)} to {format_decimal(large)} uF ")
    if label.kind is not CapacitorKind.START:
        place = 0 if chain.separators[0] == "/" else 1
        alternatives.insert(place, f"{format_decimal(large)}+{format_decimal(small)} uF ")
    if chain.separators[0] == "-" and is_usual_half(first + second / 10):
        alternatives.insert(0, f"{format_decimal(first)}.{format_decimal(second)} uF ")  # 7-5: a worn point
    if not alternatives:
        why = f"{written!r} are two sections, and a start capacitor has one."
        raise InputError(why, "Check the kind of the part, and the numbers.")
    why = f"{written!r} may be two sections or a range."
    return UnclearLabelError(chain.start, chain.end, why, tuple(alternatives))


def find_tolerance(label: Label, sections: tuple[Amount, ...], chain: Chain) -> Tolerance | None:
    """Return the tolerance on a label, None where none is printed.

    Raises:
        UnclearLabelError: there are two, or one beside a marked range.
    """
    if not label.tolerances:
        return None
    first, *others = label.tolerances
    if not sections:
        text = label.written(chain)
        why = f"{text!r} is a range, which is its own tolerance; what is {first.text.strip()!r} then?"
        raise UnclearLabelError(first.start, first.end, why, (leave_out(first.text),))
    is_run = len(sections) == 2 or max(label.volts, default=Decimal(0)) >= CONTINUOUS_VOLTS
    if first.text == "M" and is_run and label.text[first.start - 1].isspace():
        # ±20 % is on no usual run part (common practice, no source): an M apart from the unit is as often a mark.
        why = f"{first.text!r} may be the IEC 60062 tolerance letter for ±20 %, or a mark that says nothing here."
        raise UnclearLabelError(first.start, first.end, why, (" ±20 % ", leave_out(first.text)), is_ordered=False)
    meant = [[parse_tolerance(token.text, rated) for rated in sections] for token in label.tolerances]
    for token, tolerances in zip(others, meant[1:], strict=True):
        if tolerances[0] != meant[0][0]:
            why = f"{first.text.strip()!r} and {token.text.strip()!r} are two tolerances."
            between = label.text[first.end : token.start]
            alternatives = (
                Alternative(f" {kept.text} {between} ", (left.text.strip(),))
                for kept, left in ((first, token), (token, first))
            )
            raise UnclearLabelError(first.start, token.end, why, tuple(alternatives), is_ordered=False)
    return meant[0][0]
