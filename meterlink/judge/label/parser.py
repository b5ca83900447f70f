"""Parse the tokens of a capacitor's label into a `RatedPart`, by the rules in `meterlink.judge.label.ratings`."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise

from meterlink.core.equipment import Span
from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity, convert, quantity_of, resolution_of
from meterlink.judge.judging import format_decimal
from meterlink.judge.label.rated_part import USUAL_VOLTS, CapacitorKind, RatedPart, implied_kind
from meterlink.judge.label.tokens import (
    Token,
    TokenKind,
    UnclearLabelError,
    is_ambiguous_farad,
    parse_label_unit,
    tokenize,
)
from meterlink.judge.tolerance import Tolerance, parse_tolerance

RATING_EXAMPLE = "45+7.5 uF ±6 % 440 V"

# The range of a start capacitor ends a fifth to a quarter above its beginning; half leaves room. The sections of a dual
# capacitor differ by far more than a factor of two. Both common practice, no source.
_WIDEST_RANGE = Decimal("1.5")
_LEAST_APART = Decimal(2)
# Voltages on one label belong to one family of supplies (120/240, 208/230, 370/440), line frequencies are 50 and 60 Hz.
_VOLTS_APART = Decimal("2.1")
_HERTZ_APART = Decimal("1.2")

# Beyond these a number or its unit is a typing error: they are far outside any motor capacitor.
_POSSIBLE = {"V": (Decimal(1), Decimal(10_000)), "Hz": (Decimal(10), Decimal(1000))}

_LEAST = Decimal("1e-6")  # µF: a picofarad, far below any motor capacitor
_FINEST = Decimal("1e-9")  # µF: the last decimal of a rating, so that it prints as it is read
_LARGEST_PERCENT = Decimal(20)  # a larger number without a unit is not the tolerance of such a part

_LETTERS_MEANT = "JKM"  # the tolerance letters on motor capacitors; common practice, no source
_LETTERS_ASKED = "ELPWBCDFGHNQSTZ"  # the other letters of IEC 60062
_RUN_WORDS = {"run", "running"}
_START_WORDS = {"start", "starting"}


@dataclass(slots=True)
class _Value:
    """A number with its unit (None for none) and its span in the text."""

    number: Decimal
    unit: str | None
    start: int
    end: int
    dc: bool = False

    @property
    def quantity(self) -> Quantity | None:
        return None if self.unit is None else quantity_of(self.unit)


@dataclass(slots=True)
class _Chain:
    """Values joined by separators; after `_split` all are of one quantity."""

    values: list[_Value]
    separators: list[str]

    @property
    def start(self) -> int:
        return self.values[0].start

    @property
    def end(self) -> int:
        return self.values[-1].end

    @property
    def quantity(self) -> Quantity | None:
        return self.values[0].quantity


class _Label:
    """The state of parsing one label: its tokens and the values found so far."""

    def __init__(self, text: str, kind: CapacitorKind | None, unit: str | None) -> None:
        self.text = text
        self.pieces = tokenize(text)
        self.at = 0
        self.kind = kind or self._kind_in_words()
        self.unit = unit
        self.chains: list[_Chain] = []
        self.tolerances: list[Token] = []
        self.volts: list[Decimal] = []
        self.hertz: list[Decimal] = []
        self.unread: list[str] = []

    def _kind_in_words(self) -> CapacitorKind | None:
        words = {piece.text.lower() for piece in self.pieces if piece.kind is TokenKind.WORD}
        run, start = bool(words & _RUN_WORDS), bool(words & _START_WORDS)
        return None if run is start else CapacitorKind.RUN if run else CapacitorKind.START

    def next(self, *wanted: TokenKind) -> Token | None:
        """Return the next token and advance if it is of a wanted kind, otherwise None."""
        if self.at < len(self.pieces) and self.pieces[self.at].kind in wanted:
            self.at += 1
            return self.pieces[self.at - 1]
        return None


def parse_label(text: str, kind: CapacitorKind | None, unit: str | None) -> RatedPart:
    """Return the part that ``text``, normalized by `normalize_label`, describes.

    ``kind`` is the known kind of the part; ``unit`` (of capacitance) applies to the first value without a unit.

    Raises:
        UnclearLabelError: the text has several readings, or needs an assumption.
        InputError: the text is not the label of one motor capacitor.
    """
    label = _Label(text, kind, unit)
    while label.at < len(label.pieces):
        piece = label.pieces[label.at]
        if piece.kind in {TokenKind.NUMBER, TokenKind.CODED}:
            _add_chain(label)
            continue
        label.at += 1
        match piece.kind:
            case TokenKind.TOLERANCE:
                label.tolerances.append(piece)
            case TokenKind.MARK:
                label.unread.append(piece.text)
            case TokenKind.WORD:
                _add_word(label, piece)
            case TokenKind.AC:
                following = label.pieces[label.at : label.at + 1]
                if not following or following[0].kind is not TokenKind.NUMBER:
                    raise UnclearLabelError(piece.start, piece.end, "'~' stands beside no voltage.", (" ",))
            case _:
                _check_separator(label, piece)
    return _part(label)


def _add_chain(label: _Label) -> None:
    chain = _Chain([_value(label)], [])
    while label.at + 1 < len(label.pieces):
        separator, following = label.pieces[label.at : label.at + 2]
        if separator.kind is not TokenKind.SEPARATOR or following.kind not in {TokenKind.NUMBER, TokenKind.CODED}:
            break
        label.at += 1
        chain.separators.append(separator.text)
        chain.values.append(_value(label))
    _spread_units(label, chain)
    for group in _split(chain):
        _add_group(label, group)


def _value(label: _Label) -> _Value:
    piece = label.pieces[label.at]
    label.at += 1
    if piece.kind is TokenKind.CODED:
        return _coded(piece)
    value = _Value(Decimal(piece.text), None, piece.start, piece.end)
    word = label.next(TokenKind.WORD)
    if word is None:
        return value
    if is_ambiguous_farad(word.text):
        why = f"{word.text!r} on a label mostly means microfarad, but is another unit by the book."
        raise UnclearLabelError(word.start, word.end, why, (" uF",))
    unit = parse_label_unit(word.text)
    if unit is None:
        label.at -= 1  # the word is not a unit
        return value
    value.unit, value.dc, value.end = unit.symbol, unit.is_dc, word.end
    if unit.tolerance_letter:
        label.tolerances.append(Token(TokenKind.TOLERANCE, unit.tolerance_letter, word.end - 1, word.end))
        value.end -= 1
    if unit.quantity is Quantity.VOLTAGE:
        _take_ac_or_dc(label, value)
    return value


def _take_ac_or_dc(label: _Label, value: _Value) -> None:
    if label.next(TokenKind.AC):
        return
    word = label.next(TokenKind.WORD)
    if word is None:
        return
    if word.text.replace(".", "").lower() in {"ac", "dc"}:
        value.dc = value.dc or word.text.lower().startswith("d")
    else:
        label.at -= 1


def _coded(piece: Token) -> _Value:
    """Read IEC 60062 coding (from memory): 4u7 is 4.7 µF.

    Raises:
        UnclearLabelError: the letter is not a unit prefix of capacitance.
    """
    letter = next(char for char in piece.text if char.isalpha() or char == "µ")
    spelled = piece.text.replace(letter, ".")
    unit = {"u": "µF", "µ": "µF", "n": "nF", "p": "pF"}.get(letter)
    if unit is None:
        why = f"{piece.text!r} may be {spelled} in some unit."
        raise UnclearLabelError(piece.start, piece.end, why, (f"{spelled} uF", f"{spelled} nF"))
    return _Value(Decimal(spelled), unit, piece.start, piece.end)


def _spread_units(label: _Label, chain: _Chain) -> None:
    """Give a number without a unit the unit of the next value, or after a ``+`` that of the value before.

    Raises:
        UnclearLabelError: a number has no unit, and the value before it gives none.
    """
    for value, following in reversed(list(pairwise(chain.values))):
        if value.unit is None:
            value.unit, value.dc = following.unit, following.dc
    for (before, value), separator in zip(pairwise(chain.values), chain.separators, strict=True):
        if value.unit is not None or before.unit is None:
            continue
        if separator != "+" or before.quantity is not Quantity.CAPACITANCE:
            written = label.text[value.start : value.end]
            instead = _with_units(written, [value.number], capacitance_known=True)
            raise UnclearLabelError(value.start, value.end, f"{written!r} has no unit.", instead)
        value.unit = before.unit


def _split(chain: _Chain) -> Iterator[_Chain]:
    """Split a chain where the quantity changes, as at the slash of ``45 uF/440 V``.

    Raises:
        UnclearLabelError: another separator than ``/`` or ``-`` joins two quantities.
    """
    group = _Chain(chain.values[:1], [])
    for value, separator in zip(chain.values[1:], chain.separators, strict=True):
        if value.quantity is group.quantity:
            group.values.append(value)
            group.separators.append(separator)
            continue
        if separator not in {"/", "-"}:
            why = f"{separator!r} stands between two things that are not alike."
            raise UnclearLabelError(group.end, value.start, why, (" ",))
        yield group
        group = _Chain([value], [])
    yield group


def _add_group(label: _Label, chain: _Chain) -> None:
    match chain.quantity:
        case Quantity.CAPACITANCE | None:
            label.chains.append(chain)
        case Quantity.VOLTAGE if not any(value.dc for value in chain.values):
            label.volts += _family(label, chain, label.volts, _VOLTS_APART, "V")
        case Quantity.FREQUENCY:
            label.hertz += _family(label, chain, label.hertz, _HERTZ_APART, "Hz")
        case Quantity.RATIO if len(chain.values) == 1:
            text = f"{chain.values[0].number:f} %"
            label.tolerances.append(Token(TokenKind.TOLERANCE, text, chain.start, chain.end))
        case _:
            label.unread.append(label.text[chain.start : chain.end].strip())


def _family(label: _Label, chain: _Chain, others: Sequence[Decimal], apart: Decimal, unit: str) -> list[Decimal]:
    """Return the numbers of a chain in ``unit``.

    Raises:
        UnclearLabelError: they are too far apart, or a ``+`` joins them, so they are not all ``unit`` of one part.
        InputError: a number is impossible for a motor capacitor.
    """
    numbers = [convert(value.number, value.unit or unit, unit) for value in chain.values]
    written = label.text[chain.start : chain.end].strip()
    if not all(_POSSIBLE[unit][0] <= number <= _POSSIBLE[unit][1] for number in numbers):
        raise InputError(f"{written!r} is no {unit} of a motor capacitor.", "Check the number and its unit.")
    together = [*others, *numbers]
    if max(together) <= apart * min(together) and "+" not in chain.separators:
        return numbers
    instead: tuple[str, ...] = ()
    if len(chain.values) > 1:
        front = label.text[chain.start : chain.values[-2].end]
        instead = (f"{front} uF {label.text[chain.values[-1].start : chain.end]}",)
    raise UnclearLabelError(chain.start, chain.end, f"{written!r} cannot all be {unit} of one part.", instead)


def _add_word(label: _Label, piece: Token) -> None:
    word = piece.text
    if word.lower() in _RUN_WORDS | _START_WORDS:
        return
    previous = label.pieces[label.at - 2] if label.at >= 2 else None
    if previous is not None and previous.text.lower() in {"class", "cl", "cl."}:
        label.unread.append(word)
        return
    letter = word.upper()
    if letter not in _LETTERS_ASKED and (parse_label_unit(word) is not None or is_ambiguous_farad(word)):
        raise UnclearLabelError(piece.start, piece.end, f"{word!r} follows no number.", ())
    if len(word) > 1:
        label.unread.append(word)
        return
    tied = previous is not None and previous.kind is TokenKind.WORD  # after a unit, not after a number without one
    if word in _LETTERS_MEANT or (tied and letter in _LETTERS_MEANT):
        label.tolerances.append(Token(TokenKind.TOLERANCE, letter, piece.start, piece.end))
    elif letter in _LETTERS_ASKED or letter in _LETTERS_MEANT:
        meant = parse_tolerance(letter, Amount(Decimal(1), "µF"))
        why = f"{word!r} may be the IEC 60062 tolerance letter for {meant}, or a mark that says nothing here."
        raise UnclearLabelError(piece.start, piece.end, why, (f" {meant} ", " "))
    else:
        label.unread.append(word)


def _check_separator(label: _Label, piece: Token) -> None:
    inside = 1 < label.at < len(label.pieces)
    spaced = label.text[piece.start - 1 : piece.start].isspace() and label.text[piece.end : piece.end + 1].isspace()
    if inside and (piece.text == "/" or (piece.text == "-" and spaced)):
        return  # it separates the values on either side
    raise UnclearLabelError(piece.start, piece.end, f"{piece.text!r} ties nothing together.", (" ",))


def _part(label: _Label) -> RatedPart:
    chain = _capacitance(label)
    sections, marked = _sections_or_range(label, chain)
    part = RatedPart(
        sections,
        marked,
        _tolerance(label, sections, chain),
        tuple(sorted(set(label.volts))),
        tuple(sorted(set(label.hertz))),
        unused_words=tuple(label.unread),
    )
    return replace(part, kind=label.kind or implied_kind(part))


def _capacitance(label: _Label) -> _Chain:
    # The label must have one capacitance, and no other number without a unit.
    known = [chain for chain in label.chains if chain.quantity is not None]
    bare = [chain for chain in label.chains if chain.quantity is None]
    if bare and label.unit is not None and not known and not _is_code(label, bare[0]):
        known, bare = bare[:1], bare[1:]
        for value in known[0].values:
            value.unit = label.unit
    if bare:
        raise _bare_question(label, bare[0])
    if not known:
        text = label.text.strip()
        raise InputError(f"{text!r} names no capacitance.", f"Write the rating as {RATING_EXAMPLE}.")
    if len(known) > 1:
        first, second = known[:2]
        values = [label.text[chain.start : chain.end].strip() for chain in (first, second)]
        between = label.text[first.end : second.start]
        why = f"{values[0]!r} and {values[1]!r} are two capacitances: a dual part?"
        raise UnclearLabelError(first.start, second.end, why, (f"{values[0]}+{values[1]} {between}",))
    return known[0]


def _is_code(label: _Label, chain: _Chain) -> bool:
    """Return whether a number with a tolerance letter may be a code (``106 K``), which is unclear with any unit."""
    letter = any(piece.text in _LETTERS_MEANT for piece in label.tolerances)
    return letter and _looks_coded(label.text[chain.start : chain.end])


def _looks_coded(written: str) -> bool:
    """Return whether ``written`` may be two digits and a power of ten in pF (IEC 60062, from memory), 0.1 µF and up."""
    return len(written) == 3 and written.isdigit() and written[2] in "4567"


def _bare_question(label: _Label, chain: _Chain) -> UnclearLabelError:
    numbers = [value.number for value in chain.values]
    written = label.text[chain.start : chain.end]
    known = any(other.quantity is not None for other in label.chains)
    joined = None if known else _neighbour(label, chain)
    if joined is not None:
        first, second = written, label.text[joined.start : joined.end]
        why = f"{first!r} and {second!r} stand side by side without a unit."
        point = (f"{first}.{second} uF ",) if first.isdigit() and second.isdigit() else ()
        volts = (f"{first} uF {second} V ",) if _could_be_volts(joined.values[-1].number) else ()
        return UnclearLabelError(chain.start, joined.end, why, (f"{first}+{second} uF ", *point, *volts))
    instead = [*_with_units(written, numbers, capacitance_known=known)]
    if known and len(numbers) == 1 and numbers[0] <= _LARGEST_PERCENT and not label.tolerances:
        instead.append(f" ±{written} % ")
    elif not known and len(numbers) > 1:
        if chain.separators == ["-"]:
            instead.append(f"{numbers[0]:f}+{numbers[1]:f} uF ")
        before = label.text[chain.start : chain.values[-2].end]
        if _could_be_volts(numbers[-1]):
            instead.append(f"{before} uF {label.text[chain.values[-1].start : chain.end]} V ")
    if not known and _looks_coded(written):
        code = Decimal(written[:2]).scaleb(int(written[2]) - 6)
        why = f"{written!r} has no unit: a value, or two digits and a power of ten in pF?"
        return UnclearLabelError(chain.start, chain.end, why, (*instead, f"{code:f} uF "))
    return UnclearLabelError(chain.start, chain.end, f"{written!r} has no unit.", tuple(instead))


def _neighbour(label: _Label, chain: _Chain) -> _Chain | None:
    """Return the number without a unit that follows ``chain`` after space alone, or None."""
    for other in label.chains:
        if other.quantity is None and other.start >= chain.end and label.text[chain.end : other.start].isspace():
            return other
    return None


def _with_units(written: str, numbers: Sequence[Decimal], *, capacitance_known: bool) -> tuple[str, ...]:
    """Return ``written`` with each unit that its numbers may have on a label."""
    instead = []
    if all(_could_be_volts(number) for number in numbers):
        instead.append(f"{written} V ")
    if all(number in {50, 60} for number in numbers):
        instead.append(f"{written} Hz ")
    if not (capacitance_known and instead):
        instead.insert(0, f"{written} uF ")
    return tuple(instead)


def _could_be_volts(number: Decimal) -> bool:
    least, most = USUAL_VOLTS
    return least <= number <= most


def _sections_or_range(label: _Label, chain: _Chain) -> tuple[tuple[Amount, ...], Span | None]:
    values = [_microfarads(value) for value in chain.values]
    written = label.text[chain.start : chain.end].strip()
    if any(value.digits <= 0 for value in values):
        raise InputError(f"{written!r}: no part is rated at nothing.", "Check the number.")
    if any(value.digits < _LEAST or resolution_of(value.digits) < _FINEST for value in values):
        raise InputError(f"{written!r} is no rating of a motor capacitor.", "Check the unit.")
    if len(values) == 1:
        return (values[0],), None
    if len(values) > 2:
        raise InputError(f"{written!r} has more than two values.", f"Write one part at a time: {RATING_EXAMPLE}.")
    first, second = (value.digits for value in values)
    small, large = sorted((first, second))
    separator = chain.separators[0]
    dual, span = (
        f"{format_decimal(large)}+{format_decimal(small)} uF ",
        f"{format_decimal(small)} to {format_decimal(large)} uF ",
    )
    may_be_dual = separator == "+" or (separator == "/" and large >= _LEAST_APART * small)
    may_be_range = separator == "to" or (separator == "-" and first < second <= _WIDEST_RANGE * first)
    if may_be_dual and label.kind is not CapacitorKind.START:
        return tuple(sorted(values, key=lambda value: value.digits, reverse=True)), None
    if may_be_range and label.kind is not CapacitorKind.RUN:
        if first >= second:
            raise InputError(f"{written!r}: the range ends before it begins.", f"Write {span.strip()}.")
        return (), Span(first, second, "µF")
    # Where the text contradicts the known kind, one meaning remains to be confirmed.
    kinds = {CapacitorKind.RUN: (dual,), CapacitorKind.START: (span,), None: (dual, span)}
    why = f"{written!r} may be two sections or a range."
    raise UnclearLabelError(chain.start, chain.end, why, kinds[label.kind] if large > small else (dual,))


def _microfarads(value: _Value) -> Amount:
    unit = value.unit or "µF"
    return Amount(value.number if unit == "µF" else convert(value.number, unit, "µF").normalize(), "µF")


def _tolerance(label: _Label, sections: tuple[Amount, ...], chain: _Chain) -> Tolerance | None:
    if not label.tolerances:
        return None
    first, *others = label.tolerances
    if not sections:
        text = label.text[chain.start : chain.end].strip()
        why = f"{text!r} is a range, which is its own tolerance; what is {first.text.strip()!r} then?"
        raise UnclearLabelError(first.start, first.end, why, (" ",))
    meant = [[parse_tolerance(piece.text, rated) for rated in sections] for piece in label.tolerances]
    for piece, tolerances in zip(others, meant[1:], strict=True):
        if tolerances[0] != meant[0][0]:
            why = f"{first.text.strip()!r} and {piece.text.strip()!r} are two tolerances."
            between = label.text[first.end : piece.start]
            keep_first, keep_second = (f"{one.text} {between} " for one in (first, piece))
            raise UnclearLabelError(first.start, piece.end, why, (f" {keep_first}", f" {keep_second}"))
    return meant[0][0]
