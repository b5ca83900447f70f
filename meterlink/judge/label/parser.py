"""Parse the tokens of a capacitor's label into a `RatedPart`, by the rules in `meterlink.judge.label.ratings`."""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from meterlink.core.units import Amount, Quantity, parse_number
from meterlink.judge.label.chains import COUPLINGS, KIND_WORDS, Chain, Label, add_chain
from meterlink.judge.label.label_units import is_ambiguous_farad, parse_label_unit
from meterlink.judge.label.rated_part import RatedPart, implied_kind
from meterlink.judge.label.sections import find_capacitance, find_tolerance, sections_or_range
from meterlink.judge.label.tokens import LETTERS_MEANT, Token, TokenKind
from meterlink.judge.label.unclear import Alternative, UnclearLabelError, leave_out
from meterlink.judge.label.usual_values import CapacitorKind, is_usual_rated_volts, is_usual_volts
from meterlink.judge.tolerance import parse_tolerance

_LETTERS_ASKED = "NQSTZ"  # IEC 60062: the other letters for tolerances that electrolytic capacitors have


def parse_label(text: str, kind: CapacitorKind | None, unit: str | None) -> RatedPart:
    """Return the part that ``text``, normalized by `normalize_label`, describes.

    ``kind`` is the known kind of the part; ``unit`` (of capacitance) applies to the first value without a unit.

    Raises:
        UnclearLabelError: the text has several readings, or needs an assumption.
        InputError: the text is not the label of one motor capacitor.
    """
    label = Label(text, kind, unit)
    while label.at < len(label.tokens):
        token = label.tokens[label.at]
        if token.kind in {TokenKind.NUMBER, TokenKind.CODED}:
            add_chain(label)
            continue
        label.at += 1
        match token.kind:
            case TokenKind.TOLERANCE:
                label.tolerances.append(token)
            case TokenKind.MARK:
                label.unread.append(token.text)
            case TokenKind.WORD:
                _add_word(label, token)
            case TokenKind.AC:
                following = label.token(label.at)
                if following is None or following.kind is not TokenKind.NUMBER:
                    raise UnclearLabelError(token.start, token.end, "'~' stands beside no voltage.", (" ",))
            case _:
                _check_separator(label, token)
    return _part(label)


def _add_word(label: Label, token: Token) -> None:
    word, letter = token.text, token.text.upper()
    if word.lower() in KIND_WORDS:
        return
    unit = parse_label_unit(word)
    if len(word) > 1 and (unit is not None or is_ambiguous_farad(word)):
        following = label.token(label.at)
        of_values_before = (
            unit is not None
            and unit.quantity is Quantity.CAPACITANCE
            and bool(label.chains)
            and following is not None
            and _is_rated_volts(following.text)
        )
        if unit is None or of_values_before or not _stands_before_its_numbers(label):
            raise _unit_question(label, token)
        add_chain(label, unit)
        return
    previous = label.token(label.at - 2)
    glued = previous is not None and previous.kind is TokenKind.NUMBER and previous.end == token.start
    after_unit = previous is not None and (
        previous.text.lower() in COUPLINGS
        or previous.kind is TokenKind.TOLERANCE
        or (previous.kind is TokenKind.WORD and parse_label_unit(previous.text) is not None)
    )
    # Behind volts or hertz K and M are as often a mark: 440 VAC M.
    is_loose = letter in "KM" and previous is not None and _is_other_unit(previous)
    if letter in LETTERS_MEANT and ((after_unit and not is_loose) or (glued and word == "J")):
        label.tolerances.append(Token(TokenKind.TOLERANCE, letter, token.start, token.end))
    elif len(word) == 1 and (letter in LETTERS_MEANT or (after_unit and letter in _LETTERS_ASKED)):
        meant = parse_tolerance(letter, Amount(Decimal(1), "µF"))
        why = f"{word!r} may be the IEC 60062 tolerance letter for {meant}, or a mark that says nothing here."
        raise UnclearLabelError(token.start, token.end, why, (f" {meant} ", leave_out(word)), is_ordered=False)
    else:
        label.unread.append(word)


def _is_other_unit(token: Token) -> bool:
    """Return whether a token is AC, DC, or a unit of another quantity than capacitance."""
    unit = parse_label_unit(token.text)
    return token.text.lower() in COUPLINGS or (unit is not None and unit.quantity is not Quantity.CAPACITANCE)


def _stands_before_its_numbers(label: Label) -> bool:
    """Return whether numbers follow that have no unit of their own: ``Hz: 50/60``."""
    place = label.at
    while _is_number(label.token(place)):
        separator = label.token(place + 1)
        if separator is None or separator.kind is not TokenKind.SEPARATOR:
            return separator is None or separator.kind not in {TokenKind.WORD, TokenKind.AC, TokenKind.NUMBER}
        place += 2
    return False


def _unit_question(label: Label, token: Token) -> UnclearLabelError:
    """Return the question about a unit that follows no number: it may belong to the number behind it."""
    end = front_end = token.end
    place = label.at
    while (following := label.token(place)) is not None and following.kind in {TokenKind.NUMBER, TokenKind.SEPARATOR}:
        previous = label.token(place - 1)
        if following.kind is TokenKind.NUMBER and previous is not None and previous.kind is TokenKind.NUMBER:
            front_end = end
        end, place = following.end, place + 1
    numbers = label.text[token.end : end].strip()
    front = label.text[token.end : front_end].strip()
    behind, after_that = label.token(place), label.token(place + 1)
    alternative: Alternative | str = leave_out(token.text)
    why = f"{token.text!r} follows no number."
    glued = behind is not None and _is_other_unit(behind) and behind.start == end
    last = label.text[front_end:end].strip()
    is_volts = behind is not None and _is_other_unit(behind) and _is_rated_volts(last)
    if _is_rated_volts(front) and _is_other_unit(token) and _is_capacitance(behind):  # VOLTS 370 10 MFD
        return UnclearLabelError(token.start, front_end, why, (f" {front} {token.text} ",))
    if front and behind is None and _is_rated_volts(last):  # MFD 45/5 440
        without = Alternative(f" {front} {token.text} ", (last,))
        return UnclearLabelError(token.start, end, why, (f" {front} {token.text} {last} V ", without))
    if front == "" and behind is None and _is_rated_volts(last) and label.chains:
        # 40 H 5 F MFD 440: the unit may belong to the values before it.
        alternatives = (Alternative(f" | {numbers} V ", (token.text,)), f" {numbers} {token.text} ")
        return UnclearLabelError(token.start, end, why, alternatives, is_ordered=False)
    if front and (glued or (behind is not None and _is_other_unit(behind) and is_usual_volts(parse_number(last)[0]))):
        # uF 12.5 450V 50Hz: of two numbers side by side the last has the unit behind it.
        return UnclearLabelError(token.start, front_end, why, (f" {front} {token.text} ",))
    if behind is not None and behind.text.upper() == token.text.upper():
        alternative = f" {numbers} "  # MFD 45 MFD
    elif (
        glued
        or (is_volts and not front)
        or (behind is not None and parse_label_unit(behind.text) and not _is_number(after_that))
    ):
        end = token.end  # MFD 440 V: the number has its own unit
    elif numbers:
        alternative = f" {numbers} {token.text} "
    return UnclearLabelError(token.start, end, why, (alternative,))


def _is_capacitance(token: Token | None) -> bool:
    unit = None if token is None else parse_label_unit(token.text)
    return unit is not None and unit.quantity is Quantity.CAPACITANCE


def _is_rated_volts(written: str) -> bool:
    return written.isdigit() and is_usual_rated_volts(Decimal(written))


def _is_number(token: Token | None) -> bool:
    return token is not None and token.kind in {TokenKind.NUMBER, TokenKind.CODED}


def _check_separator(label: Label, token: Token) -> None:
    inside = 1 < label.at < len(label.tokens)
    spaced = label.text[token.start - 1 : token.start].isspace() and label.text[token.end : token.end + 1].isspace()
    if inside and (token.text == "/" or (token.text == "-" and spaced)):
        return  # it separates the values on either side
    raise UnclearLabelError(token.start, token.end, f"{token.text!r} ties nothing together.", (" ",))


def _part(label: Label) -> RatedPart:
    chain = find_capacitance(label)
    sections, marked = sections_or_range(label, chain)
    _ask_which_voltage(label)
    _ask_about_dc(label)
    part = RatedPart(
        sections,
        marked,
        find_tolerance(label, sections, chain),
        tuple(sorted(set(label.volts))),
        tuple(sorted(set(label.hertz))),
        unused_words=tuple(label.unread),
    )
    kind = label.kind or implied_kind(part)
    if kind is None and marked is not None:
        why = f"{str(marked)!r} is a range, as on start capacitors, with the voltage of a run capacitor: start or run?"
        alternatives = tuple(f" {marked} {kind} " for kind in (CapacitorKind.START, CapacitorKind.RUN))
        raise UnclearLabelError(chain.start, chain.end, why, alternatives, is_ordered=False)
    return replace(part, kind=kind)


def _ask_about_dc(label: Label) -> None:
    """Ask about DC volts without AC volts: motor capacitors are rated in AC, and a C and an A look alike.

    Raises:
        UnclearLabelError: DC volts are one of the voltages in which the parts are made for AC.
    """
    for chain in label.dc_chains if not label.volts else ():
        numbers = [value.number for value in chain.values]
        if all(map(is_usual_rated_volts, numbers)):
            written = label.written(chain)
            why = f"{written!r} is a usual rating of AC: is a letter read wrongly?"
            ac = Alternative(f" {'/'.join(f'{number:f}' for number in numbers)} V ", (written,))
            raise UnclearLabelError(chain.start, chain.end, why, (ac, leave_out(written)), is_ordered=False)


def _ask_which_voltage(label: Label) -> None:
    """Ask where voltages stand apart, as those for two life classes do; 370/440 V is one rating.

    Raises:
        UnclearLabelError: there are two of different values.
    """
    chains = label.volt_chains
    if len({max(value.number for value in chain.values) for chain in chains}) < 2:
        return
    start, end = chains[0].start, chains[-1].end
    written = [label.written(chain) for chain in chains]
    alternatives = []
    for kept in chains:
        others = [chain for chain in chains if chain is not kept]
        alternatives.append(Alternative(_without(label, others, start, end), tuple(map(label.written, others))))
    why = f"{' and '.join(map(repr, written))} are two voltages: which one counts?"
    raise UnclearLabelError(start, end, why, tuple(alternatives), is_ordered=False)


def _without(label: Label, chains: Sequence[Chain], start: int, end: int) -> str:
    """Return the text from ``start`` to ``end`` with ``chains`` left out."""
    text, at = "", start
    for chain in chains:
        text, at = text + label.text[at : chain.start] + " | ", chain.end
    return text + label.text[at:end]
