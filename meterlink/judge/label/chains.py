"""The values of a label: numbers with their units, in chains joined by separators."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, convert, quantity_of
from meterlink.judge.label.glued_digits import spell_glued_rating, spell_glued_volts
from meterlink.judge.label.label_units import LabelUnit, is_ambiguous_farad, parse_label_unit
from meterlink.judge.label.tokens import Token, TokenKind, tokenize
from meterlink.judge.label.unclear import Alternative, UnclearLabelError, leave_out
from meterlink.judge.label.usual_values import (
    LARGEST_PERCENT,
    LEAST_VOLTS,
    CapacitorKind,
    is_possible_volts,
    is_usual_capacitance,
    is_usual_rated_volts,
    is_usual_volts,
)

# Voltages on one label belong to one family of supplies (120/240, 208/230, 370/440), line frequencies are 50 and 60 Hz.
_VOLTS_APART = Decimal("2.1")
_HERTZ_APART = Decimal("1.2")
_LINE_HERTZ = (Decimal(50), Decimal(60))

# Beyond these a number or its unit is a typing error: they are far outside any motor capacitor.
_POSSIBLE = {"V": (Decimal(1), Decimal(10_000)), "Hz": (Decimal(10), Decimal(1000))}

COUPLINGS = {"ac": Coupling.AC, "~": Coupling.AC, "dc": Coupling.DC}
_RUN_WORDS = {"run", "running"}
_START_WORDS = {"start", "starting"}
KIND_WORDS = _RUN_WORDS | _START_WORDS


@dataclass(slots=True)
class Value:
    """A number with its unit (None for none) and its span in the text."""

    number: Decimal
    unit: str | None
    start: int
    end: int
    dc: bool = False

    @property
    def quantity(self) -> Quantity | None:
        """The quantity of the unit, None without one."""
        return None if self.unit is None else quantity_of(self.unit)


@dataclass(slots=True)
class Chain:
    """Values joined by separators; on a `Label` all are of one quantity."""

    values: list[Value]
    separators: list[str]
    tokens: tuple[int, int]  # of the label: the first of the chain, and the one after it

    @property
    def start(self) -> int:
        """The place of the first character in the text."""
        return self.values[0].start

    @property
    def end(self) -> int:
        """The place after the last character in the text."""
        return self.values[-1].end

    @property
    def quantity(self) -> Quantity | None:
        """The quantity of the first value, None without a unit."""
        return self.values[0].quantity


class Label:
    """The state of parsing one label: its tokens, and the values found so far.

    ``at`` is the place of the next token. ``volts`` are AC, ``chains`` capacitances and numbers without a unit.
    """

    def __init__(self, text: str, kind: CapacitorKind | None, unit: str | None) -> None:
        self.text = text
        self.tokens = tokenize(text)
        self.at = 0
        self.kind = kind or self._kind_in_words()
        self.unit = unit
        self.chains: list[Chain] = []
        self.tolerances: list[Token] = []
        self.volts: list[Decimal] = []
        self.hertz: list[Decimal] = []
        self.volt_chains: list[Chain] = []
        self.dc_chains: list[Chain] = []
        self.unread: list[str] = []

    def _kind_in_words(self) -> CapacitorKind | None:
        words = {token.text.lower() for token in self.tokens if token.kind is TokenKind.WORD}
        run, start = bool(words & _RUN_WORDS), bool(words & _START_WORDS)
        return None if run is start else CapacitorKind.RUN if run else CapacitorKind.START

    def next(self, *wanted: TokenKind) -> Token | None:
        """Return the next token and advance if it is of a wanted kind, otherwise None."""
        if self.at < len(self.tokens) and self.tokens[self.at].kind in wanted:
            self.at += 1
            return self.tokens[self.at - 1]
        return None

    def token(self, place: int) -> Token | None:
        """Return the token at ``place``, None beside the label."""
        return self.tokens[place] if 0 <= place < len(self.tokens) else None

    def written(self, chain: Chain) -> str:
        """Return the text of a chain."""
        return self.text[chain.start : chain.end].strip()


def add_chain(label: Label, unit: LabelUnit | None = None) -> None:
    """Read the values from the next token on, and add each to the quantities of the label.

    ``unit`` stands before the values, and applies to them if none has a unit.

    Raises:
        UnclearLabelError: a unit is missing or unclear, or values cannot stand together.
        InputError: a value is impossible for a motor capacitor.
    """
    first = label.at
    values, separators = [_value(label)], []
    while label.at + 1 < len(label.tokens):
        separator, following = label.tokens[label.at : label.at + 2]
        if separator.kind is not TokenKind.SEPARATOR or following.kind not in {TokenKind.NUMBER, TokenKind.CODED}:
            break
        label.at += 1
        separators.append(separator.text)
        values.append(_value(label))
    chain = Chain(values, separators, (first, label.at))
    if unit is not None and all(value.unit is None for value in values):
        for value in values:
            value.unit, value.dc = unit.symbol, unit.coupling is Coupling.DC
    _spread_units(label, chain)
    for group in _split(chain):
        _add_group(label, group)


def _value(label: Label) -> Value:
    token = label.tokens[label.at]
    label.at += 1
    if token.kind is TokenKind.CODED:
        return _coded(token)
    value = Value(Decimal(token.text), None, token.start, token.end)
    sign = label.next(TokenKind.AC)
    if sign is not None and is_usual_volts(value.number):
        value.unit, value.end = "V", sign.end  # 450~
        return value
    if sign is not None:
        why = f"{label.text[value.start : sign.end]!r} is no usual voltage of such a part."
        raise UnclearLabelError(value.start, sign.end, why, (leave_out(label.text[value.start : sign.end]),))
    word = label.next(TokenKind.WORD)
    if word is None:
        return value
    if is_ambiguous_farad(word.text):
        why = f"{word.text!r} on a label mostly means microfarad, but is another unit by the book."
        terminal = (" FAN",) if word.text == "F" else ()
        raise UnclearLabelError(word.start, word.end, why, (" uF", *terminal))
    unit = parse_label_unit(word.text)
    if unit is None:
        label.at -= 1  # the word is not a unit
        return value
    if _stands_before_the_next(label, value.number, unit):
        label.at -= 1  # FAN 5 VOLTS 440: the unit is that of the number behind it
        return value
    value.unit, value.dc, value.end = unit.symbol, unit.coupling is Coupling.DC, word.end
    if unit.tolerance_letter:
        label.tolerances.append(Token(TokenKind.TOLERANCE, unit.tolerance_letter, word.end - 1, word.end))
        value.end -= 1
    if unit.quantity is Quantity.VOLTAGE and unit.coupling is None:
        value.dc = _coupling(label, token, word) is Coupling.DC
    return value


def _stands_before_the_next(label: Label, number: Decimal, unit: LabelUnit) -> bool:
    """Return whether a unit suits the number behind it, which has no unit, and not the ``number`` before it."""
    following, behind = label.token(label.at), label.token(label.at + 1)
    if following is None or following.kind is not TokenKind.NUMBER:
        return False
    if behind is not None and (behind.kind is not TokenKind.WORD or parse_label_unit(behind.text) is not None):
        return False
    if unit.quantity is Quantity.VOLTAGE:
        return number < LEAST_VOLTS and is_usual_rated_volts(Decimal(following.text))
    return unit.quantity is Quantity.FREQUENCY and number > _LINE_HERTZ[1] and Decimal(following.text) in _LINE_HERTZ


def _coupling(label: Label, number: Token, unit: Token) -> Coupling | None:
    """Return the AC or DC beside a voltage, and advance over the one that follows it.

    Raises:
        UnclearLabelError: one stands before the voltage, and the other behind it.
    """
    place = label.tokens.index(number) - 1
    before = None if place < 0 else COUPLINGS.get(label.tokens[place].text.replace(".", "").lower())
    following = label.token(label.at)
    after = None if following is None else COUPLINGS.get(following.text.replace(".", "").lower())
    if following is None or after is None:
        return before
    if before not in {None, after}:
        volts = label.text[number.start : unit.end]
        why = f"{volts!r} stands between {before} and {after}."
        start, end = label.tokens[place].start, following.end
        raise UnclearLabelError(start, end, why, (f"{volts}{before} {after}", f" {volts}{after}"), is_ordered=False)
    label.at += 1
    return after


def _coded(token: Token) -> Value:
    """Read IEC 60062 coding (from memory): 4u7 is 4.7 µF.

    Raises:
        UnclearLabelError: the letter is not a unit prefix of capacitance.
    """
    letter = next(char for char in token.text if char.isalpha() or char == "µ")
    spelled = token.text.replace(letter, ".")
    unit = {"u": "µF", "µ": "µF", "n": "nF", "p": "pF"}.get(letter)
    if unit is None:
        why = f"{token.text!r} may be {spelled} µF, or a code."
        raise UnclearLabelError(token.start, token.end, why, (f"{spelled} uF", leave_out(token.text)))
    return Value(Decimal(spelled), unit, token.start, token.end)


def _spread_units(label: Label, chain: Chain) -> None:
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
            alternatives: tuple[Alternative | str, ...] = (
                *units_for(label, written, [value.number]),
                leave_out(written),
            )
            raise UnclearLabelError(value.start, value.end, f"{written!r} has no unit.", alternatives)
        value.unit = before.unit


def _split(chain: Chain) -> Iterator[Chain]:
    """Split a chain where the quantity changes, as at the slash of ``45 uF/440 V`` and of ``440 VAC/1000 VDC``.

    Raises:
        UnclearLabelError: another separator than ``/`` or ``-`` joins two quantities.
    """
    group = Chain(chain.values[:1], [], chain.tokens)
    for value, separator in zip(chain.values[1:], chain.separators, strict=True):
        if (value.quantity, value.dc) == (group.quantity, group.values[0].dc):
            group.values.append(value)
            group.separators.append(separator)
            continue
        if separator not in {"/", "-"}:
            why = f"{separator!r} stands between two things that are not alike."
            raise UnclearLabelError(group.end, value.start, why, (" ",))
        yield group
        group = Chain([value], [], chain.tokens)
    yield group


def _add_group(label: Label, chain: Chain) -> None:
    match chain.quantity:
        case Quantity.CAPACITANCE | None:
            label.chains.append(chain)
        case Quantity.VOLTAGE if not chain.values[0].dc:
            # Volts that stand apart from others on the label are asked about when all are known.
            label.volts += _family(label, chain, (), _VOLTS_APART, "V")
            label.volt_chains.append(chain)
        case Quantity.FREQUENCY:
            label.hertz += _family(label, chain, label.hertz, _HERTZ_APART, "Hz")
        case Quantity.RATIO if len(chain.values) == 1 and chain.values[0].number <= LARGEST_PERCENT:
            text = f"{chain.values[0].number:f} %"
            label.tolerances.append(Token(TokenKind.TOLERANCE, text, chain.start, chain.end))
        case Quantity.CURRENT:  # no rating of a capacitor: a code that ends in A?
            written = label.written(chain)
            why = f"{written!r} is no rating of a capacitor."
            raise UnclearLabelError(chain.start, chain.end, why, (leave_out(written),))
        case _:
            if chain.quantity is Quantity.VOLTAGE:
                label.dc_chains.append(chain)
            label.unread.append(label.written(chain))


def _family(label: Label, chain: Chain, others: Sequence[Decimal], apart: Decimal, unit: str) -> list[Decimal]:
    """Return the numbers of a chain in ``unit``.

    Raises:
        UnclearLabelError: they are too far apart, or a ``+`` joins them, so they are not all ``unit`` of one part.
        InputError: a number is impossible for a motor capacitor.
    """
    numbers = [convert(value.number, value.unit or unit, unit) for value in chain.values]
    written = label.written(chain)
    if unit == "V":
        _ask_about_digits_of_volts(label, chain, numbers)
    if unit == "Hz" and numbers == [Decimal(5060)]:
        why = f"{written!r} is no frequency of a supply: is a sign lost?"
        raise UnclearLabelError(chain.start, chain.end, why, (" 50/60 Hz ", leave_out(written)))
    if unit == "Hz" and max(numbers) <= _POSSIBLE[unit][1] and not set(numbers) <= set(_LINE_HERTZ):
        why = f"{written!r} is no frequency of a supply."
        raise UnclearLabelError(chain.start, chain.end, why, (leave_out(written),))
    if not all(_POSSIBLE[unit][0] <= number <= _POSSIBLE[unit][1] for number in numbers):
        raise InputError(f"{written!r} is no {unit} of a motor capacitor.", "Check the number and its unit.")
    together = [*others, *numbers]
    if max(together) <= apart * min(together) and "+" not in chain.separators:
        return numbers
    alternatives: list[Alternative | str] = [leave_out(written)]
    if len(chain.values) > 1:
        front = label.text[chain.start : chain.values[-2].end]
        last = label.text[chain.values[-1].start : chain.end]
        alternatives.insert(0, Alternative(f" | {last}", (front,)))
        if all(map(is_usual_capacitance, numbers[:-1])):
            alternatives.insert(0, f"{front} uF {last}")
    why = f"{written!r} cannot all be {unit} of one part."
    raise UnclearLabelError(chain.start, chain.end, why, tuple(alternatives))


def _ask_about_digits_of_volts(label: Label, chain: Chain, volts: Sequence[Decimal]) -> None:
    """Ask about volts that lack a digit, and about those whose digits are a capacitance and volts.

    Raises:
        UnclearLabelError: the ``volts`` of the chain are one of these.
    """
    digits = f"{volts[0]:f}" if len(volts) == 1 and volts[0] > LEAST_VOLTS else ""
    glued: tuple[str, ...] = ()
    if digits and not is_possible_volts(volts[0]):
        glued = (*spell_glued_volts(digits), *(() if _names_microfarads(label) else spell_glued_rating(digits)))
    if glued or max(volts) < LEAST_VOLTS:
        written = label.written(chain)
        why = f"{written!r} is no voltage of a motor capacitor: a digit or a space is lost?"
        raise UnclearLabelError(chain.start, chain.end, why, (*glued, leave_out(written)))


def _names_microfarads(label: Label) -> bool:
    units = (parse_label_unit(token.text) for token in label.tokens if token.kind is TokenKind.WORD)
    return any(unit is not None and unit.quantity is Quantity.CAPACITANCE for unit in units)


def units_for(label: Label, written: str, numbers: Sequence[Decimal]) -> tuple[str, ...]:
    """Return ``written`` with each unit, except of capacitance, that its numbers may have on this label."""
    spelled = []
    together = [*label.volts, *numbers]
    if all(map(is_usual_volts, numbers)) and max(together) <= _VOLTS_APART * min(together):
        spelled.append(f"{written} V ")
    if all(number in {50, 60} for number in numbers) and not label.hertz:
        spelled.append(f"{written} Hz ")
    return tuple(spelled)


def microfarads(value: Value) -> Amount:
    """Return a capacitance in µF; a value without a unit is in µF."""
    unit = value.unit or "µF"
    return Amount(value.number if unit == "µF" else convert(value.number, unit, "µF").normalize(), "µF")
