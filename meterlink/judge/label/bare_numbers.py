"""Numbers without a unit on a label: the question about each, with every usual meaning and to leave it out."""

import re
from collections.abc import Iterator, Sequence
from decimal import Decimal

from meterlink.judge.label.chains import Chain, Label, microfarads, units_for
from meterlink.judge.label.glued_digits import spell_glued_capacitance, spell_glued_rating
from meterlink.judge.label.tokens import LETTERS_MEANT
from meterlink.judge.label.unclear import Alternative, UnclearLabelError, leave_out
from meterlink.judge.label.usual_values import (
    is_possible_dual,
    is_usual_capacitance,
    is_usual_dual,
    is_usual_half,
    is_usual_rated_volts,
    is_usual_section,
    is_usual_single,
    is_usual_tolerance,
    is_usual_volts,
    may_be_range,
)

_OR = re.compile(r"\b(?:or|maybe|perhaps|possibly)\b", re.IGNORECASE)  # between two values of which one is right
_VOLTS_OF_ONE_PART = 2  # 370/440
_LONGEST_GAP = 4  # characters: a sign with spaces beside it


def is_code(label: Label, chain: Chain) -> bool:
    """Return whether a number with a tolerance letter may be a code (``106 K``), which is unclear with any unit."""
    letter = any(token.text in LETTERS_MEANT for token in label.tolerances)
    return letter and _looks_coded(label.written(chain))


def _looks_coded(written: str) -> bool:
    """Return whether ``written`` may be two digits and a power of ten in pF (IEC 60062, from memory), 0.1 µF and up."""
    return len(written) == 3 and written.isdigit() and written[2] in "4567"


def bare_number_question(label: Label, chain: Chain, known: Sequence[Chain]) -> UnclearLabelError:
    """Return the question about a number without a unit: every usual meaning, and to leave it out.

    ``known`` are the capacitances on the label.
    """
    if known:
        return _beside_capacitance(label, chain, known)
    others = [other for other in label.chains if other is not chain and other.quantity is None]
    neighbour = next((other for other in others if label.text[chain.end : other.start].isspace()), None)
    if neighbour is not None:
        return _neighbours_question(label, chain, neighbour)
    written, numbers = label.written(chain), [value.number for value in chain.values]
    why = f"{written!r} has no unit."
    is_amount = re.fullmatch(r"[0-9]+\.[0-9]{2}", written)  # of money: no part is marked so
    may_be_rating = all(map(is_usual_capacitance, numbers)) and not is_amount
    alternatives: list[Alternative | str] = [f"{written} uF "] if may_be_rating else []
    if len(numbers) > 1 and is_usual_volts(numbers[-1]) and _may_be_capacitance(numbers[:-1]):
        front = label.text[chain.start : chain.values[-2].end]
        alternatives.append(f"{front} uF {label.text[chain.values[-1].start : chain.end]} V ")
    if (
        len(numbers) > 2
        and [is_usual_volts(number) for number in numbers[-3:]] == [False, True, True]
        and _may_be_capacitance(numbers[:-2])
    ):
        front = label.text[chain.start : chain.values[-3].end]
        alternatives.append(f"{front} uF {label.text[chain.values[-2].start : chain.end]} V ")  # 35/5/370/440
    alternatives += _with_volts_first(label, chain)
    if _looks_coded(written):
        why = f"{written!r} has no unit: a value, or two digits and a power of ten in pF?"
        alternatives.append(f"{Decimal(written[:2]).scaleb(int(written[2]) - 6):f} uF ")
    alternatives += units_for(label, written, numbers)
    if written.isdigit():
        alternatives += spell_glued_rating(written)
        alternatives += [
            f"{spelled} uF " for spelled in spell_glued_capacitance(written) if len(written) > 2 and not others
        ]
    if others:
        alternatives.append(leave_out(written))
    return UnclearLabelError(chain.start, chain.end, why, tuple(alternatives))


def _with_volts_first(label: Label, chain: Chain) -> Iterator[str]:
    """Yield a chain as volts and a capacitance behind them: 370/45/5, 370/440/45/5."""
    numbers = [value.number for value in chain.values]
    count = next((at for at, number in enumerate(numbers) if not is_usual_rated_volts(number)), len(numbers))
    if 1 <= count <= _VOLTS_OF_ONE_PART and _may_be_capacitance(numbers[count:]):
        volts = label.text[chain.start : chain.values[count - 1].end]
        yield f"{label.text[chain.values[count].start : chain.end]} uF {volts} V "


def _may_be_capacitance(numbers: Sequence[Decimal]) -> bool:
    """Return whether one number, or two that are sections or a range, may be a usual rating in µF."""
    if len(numbers) == 1:
        return is_usual_capacitance(numbers[0])
    if len(numbers) != 2:
        return False
    small, large = sorted(numbers)
    return is_usual_dual(large, small) or (may_be_range(small, large) and is_usual_capacitance(small))


def _beside_capacitance(label: Label, chain: Chain, known: Sequence[Chain]) -> UnclearLabelError:
    """Return the question about a number without a unit on a label that has a capacitance already."""
    written, numbers = label.written(chain), [value.number for value in chain.values]
    start, end, joined = _with_known_section(label, chain, known)
    before, after = label.text[start : chain.start], label.text[chain.end : end]
    roles = [*units_for(label, written, numbers)]
    if len(numbers) == 1 and is_usual_tolerance(numbers[0]) and not label.tolerances:
        roles.append(f" ±{written} % ")
    left_out = leave_out(written)
    instead = _instead_of_known(label, chain, known[0], start, end) if _OR.search(label.text) else ()
    alternatives: tuple[Alternative | str, ...] = (
        *joined,
        *instead,
        *(f"{before}{role}{after}" for role in roles),
        Alternative(f"{before}{left_out.text}{after}", left_out.left_out),
    )
    return UnclearLabelError(start, end, f"{written!r} has no unit.", alternatives, is_ordered=len(alternatives) == 1)


def _instead_of_known(label: Label, chain: Chain, known: Chain, start: int, end: int) -> tuple[Alternative, ...]:
    """Return the text from ``start`` to ``end`` in which a number is the capacitance, and the ``known`` one is none."""
    is_single = len(chain.values) == 1 and is_usual_single(chain.values[0].number)
    if not is_single or (start, end) != (min(chain.start, known.start), max(chain.end, known.end)):
        return ()
    first, second = sorted((chain, known), key=lambda rated: rated.start)
    between = label.text[first.end : second.start]
    number = f" {label.written(chain)} uF "
    text = f"{number}{between} | " if first is chain else f" | {between}{number}"
    return (Alternative(text, (label.written(known),)),)


def _with_known_section(
    label: Label, chain: Chain, known: Sequence[Chain]
) -> tuple[int, int, tuple[Alternative | str, ...]]:
    """Return ``(start, end, texts)``: the texts in which ``chain`` and the ``known`` value are one rating."""
    other = known[0]
    numbers, known_values = (
        [value.number for value in chain.values],
        [microfarads(value).digits for value in other.values],
    )
    first, second = sorted((chain, other), key=lambda rated: rated.start)
    between = label.text[first.end : second.start]
    if len(known) == len(numbers) == 1 and len(known_values) == 2 and first is chain and between == " ":
        herm = numbers[0] * 10 + known_values[0]
        is_torn = len(str(numbers[0])) == len(str(known_values[0])) == 1
        if is_torn and is_usual_dual(herm, known_values[1]):  # 4 5/5 MFD: a gap
            apart = Alternative(f" | {label.written(other)}", (label.written(chain),))
            return first.start, second.end, (f"{herm}+{known_values[1]} uF ", apart)
    if len(known) > 1 or len(known_values) > 1 or len(numbers) > 2:
        return chain.start, chain.end, ()
    if len(numbers) == 2:
        rated_alone = Alternative(f"{label.written(chain)} uF {between}", (label.written(other),))
        texts = [rated_alone] if is_usual_dual(*numbers) and first is chain else []
        return first.start, second.end, tuple(texts)
    return first.start, second.end, tuple(_joined(numbers[0], known_values[0], between, is_before=first is chain))


def _joined(number: Decimal, section: Decimal, between: str, *, is_before: bool) -> Iterator[str]:
    """Yield the texts in which a number and a value in µF are one rating."""
    if is_possible_dual(max(number, section), min(number, section)):
        yield f"{number}+{section} uF {between}"
    is_gap = len(between) < _LONGEST_GAP and not any(map(str.isalnum, between))
    if is_before and is_gap and is_usual_half(number + section / 10):
        yield f"{number}.{section} uF"  # 7 5 MFD: the point is not to be seen
    is_torn = is_before and between == " " and len(str(number)) == len(str(section)) == 1
    if is_torn and is_usual_section(number * 10 + section):
        yield f"{number}{section} uF"  # 3 5 MFD: a gap in a number
    if is_before and may_be_range(number, section) and is_usual_capacitance(number):
        yield f"{number} to {section} uF {between}"


def _neighbours_question(label: Label, chain: Chain, neighbour: Chain) -> UnclearLabelError:
    first, second = label.written(chain), label.written(neighbour)
    alternatives: list[Alternative | str] = []
    if len(chain.values) == len(neighbour.values) == 1:
        pair = chain.values[0].number, neighbour.values[0].number
        if is_usual_dual(*pair):
            alternatives.append(f"{first}+{second} uF ")
        if is_usual_half(pair[0] + pair[1] / 10):
            alternatives.append(f"{first}.{second} uF ")
        if may_be_range(*pair) and is_usual_capacitance(pair[0]):
            alternatives.append(f"{first} to {second} uF ")
        if len(first) == len(second) == 1 and is_usual_section(pair[0] * 10 + pair[1]):
            alternatives.append(f"{first}{second} uF ")
    if is_usual_volts(neighbour.values[-1].number):
        alternatives.append(f"{first} uF {second} V ")
    if is_usual_volts(chain.values[-1].number) and _may_be_capacitance([value.number for value in neighbour.values]):
        alternatives.append(f"{second} uF {first} V ")  # 440 45/5
    alternatives += [
        Alternative(f"{first} | ", (second,)),
        Alternative(f" | {second}", (first,)),
    ]
    why = f"{first!r} and {second!r} stand side by side without a unit."
    return UnclearLabelError(chain.start, neighbour.end, why, tuple(alternatives))
