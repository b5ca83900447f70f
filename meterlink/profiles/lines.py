"""Lines of text to readings: bytes are cut into lines, and the words of a line are read."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import chain, zip_longest

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text, count_phrase
from meterlink.core.unit_words import COUPLING_WORDS
from meterlink.core.units import Quantity, display_amount, parse_unit_word, quantity_of, resolution_of, to_base
from meterlink.driver_api import Reading, Status, Timestamp
from meterlink.profiles.checksums import compile_checksum
from meterlink.profiles.interpretation import Interpretation, fallback_unit_of, merge_meanings
from meterlink.profiles.model import Flag, Meaning, NumberForm, TextFormat
from meterlink.profiles.number_text import (
    is_blank,
    is_overload,
    number_form_of,
    parse_number_text,
    states_no_number,
)
from meterlink.profiles.refusal import Refusal, RefusalReason
from meterlink.profiles.tokens import NUMBER_AND_UNIT, Tokens, blank_out_checksums, compile_tokenizer

BEGINNING_MISSING = "its beginning may be missing"
"""The detail of the refusal of a line of which only the end is certain."""

_CACHE_SIZE = 1024  # words, and sets of words, whose meaning is kept
_LONGEST_SHAPE = 60  # characters of an unknown shape in a refusal
_LONGEST_WORD = 20  # characters of an unknown word in a refusal
_NO_MEANING = Meaning()
_NO_NUMBER_FLAGS = frozenset({Flag.OVERLOAD, Flag.INVALID, Flag.NO_NUMBER})
# Quantities whose units have no prefixes.
_UNPREFIXED_QUANTITIES = frozenset({Quantity.TEMPERATURE, Quantity.RATIO, Quantity.BATTERY})


class LineSplitter:
    """The lines of one channel of one connection. Buffers no more than the longest line from packet to packet.

    The tail of a line may look like a line: ``5E-6 F`` of ``+35.05E-6 F``. So a line counts only behind the end of
    another one: the bytes before the first end after connecting are dropped, and so is the half line before a wait of
    more than `TextFormat.pause`, with the rest of that line.
    """

    def __init__(self, text_format: TextFormat) -> None:
        self._end = text_format.end.encode("utf-8")
        self._longest = text_format.longest
        self._pause = round(text_format.pause * 1e9)
        self._buffer = b""
        self._overlong = False
        self._begun = False  # the bytes of the buffer begin a line
        self._packets = text_format.packets
        self._continued = text_format.continued
        self._inside = False  # the first byte of the buffer came in one packet with the end of the line before
        self._buffered = 0  # packets that the bytes of the buffer came in
        self._newest = 0  # ns, the time of the packet before

    def feed(self, packet: bytes, nanoseconds: int) -> tuple[Sequence[bytes], Sequence[Refusal]]:
        """Return ``(lines, refusals)``: the lines that ``packet`` completes, without their ends; the bytes dropped.

        ``nanoseconds`` is the time of the packet on a clock that never runs backward. Blank and overlong lines are left
        out.
        """
        if not self._end:
            return ((packet,) if packet.strip() and len(packet) <= self._longest else ()), ()
        refusals = []
        if self._buffer and nanoseconds - self._newest > self._pause:
            refusals.append(Refusal(RefusalReason.PART, "the rest of the line did not come in time", self._buffer))
            self._buffer, self._begun = b"", False
        self._newest = nanoseconds
        packets = self._buffered + 1 if self._buffer else 1
        *lines, tail = (self._buffer + packet).split(self._end)
        completed = []
        for line in lines:
            if not line.strip():
                pass
            elif self._overlong or len(line) > self._longest:
                refusals.append(Refusal(RefusalReason.SHAPE, f"more than {self._longest} bytes", line))
            elif not self._begun or (self._continued and not self._inside):
                refusals.append(Refusal(RefusalReason.PART, BEGINNING_MISSING, line))
            elif self._packets not in {None, packets}:
                detail = f"it came in {count_phrase(packets, 'packet')}, not {self._packets}"
                refusals.append(Refusal(RefusalReason.PART, detail, line))
            else:
                completed.append(line)
            self._overlong, self._begun, self._inside, packets = False, True, True, 1
        # An overlong line is dropped as a whole, up to its end.
        if len(tail) > self._longest + len(self._end):
            self._overlong = True
            tail = tail[len(tail) - len(self._end) + 1 :]
        self._buffer, self._buffered = tail, packets
        self._inside = self._inside and tail != b""
        return completed, refusals


@dataclass(frozen=True, slots=True)
class _WordMeaning:
    """The meaning of a word that is no number; None where the word is unknown.

    ``status`` is set where the word stands for the number.
    """

    meaning: Meaning | None
    status: Status | None = None
    is_unit: bool = False


@dataclass(slots=True)
class _LineContent:
    """The words of a line, read: its numbers as ``(text, meaning of their unit)``, the meanings of its other words.

    ``shape`` is one of `TextFormat.shapes`. ``status`` is set where a word stands for the number. ``unknown`` are
    the words without a meaning, ``unit_words`` those with a unit or a prefix, apart from the units of other numbers.
    """

    is_text: bool
    shape: str = ""
    numbers: list[tuple[str, Meaning | None]] = field(default_factory=list)
    meanings: list[Meaning | None] = field(default_factory=list)
    status: Status | None = None
    unknown: list[str] = field(default_factory=list)
    unit_words: set[str] = field(default_factory=set)

    def add_unknown(self, word: str) -> None:
        """Add a word without a meaning."""
        self.meanings.append(None)
        self.unknown.append(word)


class LineParser:
    """Turns lines into readings; caches only the meanings of words."""

    def __init__(self, text: TextFormat) -> None:
        self._text = text
        self._tokenize = compile_tokenizer(text)
        self._verifiers = tuple(compile_checksum(checksum) for checksum in text.checksums)
        self._defaults = Meaning(unit=text.unit, coupling=text.coupling)
        self._fallback_unit = fallback_unit_of(text.unit, (meaning for _, meaning in text.words))
        self._known_words: dict[str, _WordMeaning] = {word: _WordMeaning(_NO_MEANING) for word in text.ignore}
        self._known_words |= {word: _known_word(word, meaning) for word, meaning in text.words}
        self._shapes = frozenset(text.shapes)
        self._unit_words = frozenset(word for word, meaning in text.words if meaning.unit or meaning.prefix)
        self._known_unit_words = frozenset(map(frozenset, text.unit_words))
        self._cached_words: dict[str, _WordMeaning] = {}
        self._interpretations: dict[tuple[Meaning | None, ...], Interpretation] = {}

    def parse_line(self, line: bytes, channel: str, timestamp: Timestamp, refusals: list[Refusal]) -> Reading:
        """Return the reading in a line; invalid where the line cannot be read, with the reason in ``refusals``."""
        if not all(passes(line, line) for passes in self._verifiers):
            refusals.append(Refusal(RefusalReason.CHECKSUM, data=line))
            return Reading(
                quantity_of(self._fallback_unit),
                None,
                self._fallback_unit,
                timestamp,
                Status.INVALID,
                channel=channel,
                packet=line,
            )
        content = self._content_of(line)
        meanings, status = content.meanings, content.status
        shape_refusal = self._shape_refusal(content)
        if shape_refusal is not None:
            meanings.append(None)
        value: Decimal | Status = status or Status.INVALID
        with_exponent = False
        if status is None and len(content.numbers) >= self._text.value_number:
            number_text, unit_meaning = content.numbers[self._text.value_number - 1]
            value, with_exponent = parse_number_text(number_text), "e" in number_text.lower()
            meanings.append(unit_meaning)
        interpretation = self._interpretation(tuple(meanings))
        digits, reading_status, resolution = interpretation.convert(value)
        if reading_status is Status.INVALID:
            refusals.append(replace(_refusal_of(content, shape_refusal, interpretation), data=line))
        unit = interpretation.unit
        if digits is not None and with_exponent and interpretation.unscaled:
            digits, unit = _with_prefix(digits, unit, interpretation.quantity)
            resolution = resolution_of(digits)
        return Reading(
            interpretation.quantity,
            digits,
            unit,
            timestamp,
            reading_status,
            interpretation.coupling,
            resolution,
            interpretation.low_battery,
            channel,
            line,
            interpretation.display_hold,
            interpretation.relative,
        )

    def words_of(self, line: bytes) -> tuple[str, ...]:
        """Return the words of a line, without its check characters."""
        return tuple(self._tokens_of(line).words)

    def _tokens_of(self, line: bytes) -> Tokens:
        return self._tokenize(blank_out_checksums(line, self._text.checksums))

    def _content_of(self, line: bytes) -> _LineContent:
        tokens = self._tokens_of(line)
        content = _LineContent(bool(tokens.words))
        numbers, meanings = content.numbers, content.meanings
        kinds: list[str] = []
        after_number = False
        for word in tokens.words:
            match = None if word in self._known_words else NUMBER_AND_UNIT.fullmatch(word)
            if match is not None:
                meaning = self._word_meaning(match[2]).meaning if match[2] else _NO_MEANING
                if meaning is None:
                    content.add_unknown(match[2])  # the line is invalid, even if its number is not the value
                numbers.append((match[1], meaning))
                if len(numbers) == self._text.value_number and match[2] in self._unit_words:
                    content.unit_words.add(match[2])
                is_value = len(numbers) == self._text.value_number
                kinds.append(("value" if is_value else "number") + (_kind_of(meaning) if match[2] else ""))
                after_number = not match[2]
                continue
            word_meaning = self._word_meaning(word)
            content.status = content.status or word_meaning.status
            kinds.append(_kind_of(word_meaning.meaning) if word_meaning.status is None else "value")
            of_other = after_number and word_meaning.is_unit and len(numbers) != self._text.value_number
            if word in self._unit_words and not of_other:
                content.unit_words.add(word)
            if after_number and word_meaning.is_unit:
                numbers[-1] = (numbers[-1][0], word_meaning.meaning)
            elif word_meaning.meaning is None:
                content.add_unknown(word)
            else:
                meanings.append(word_meaning.meaning)
            after_number = False
        content.shape = "".join(chain(*zip_longest(tokens.separators, kinds, fillvalue="")))
        return content

    def shape_of(self, line: bytes) -> tuple[str, str, Sequence[str]]:
        """Return ``(shape, value text, unknown words)`` of a line; the text of the value is empty without one."""
        content = self._content_of(line)
        return content.shape, self._value_text(content), content.unknown

    def _value_text(self, content: _LineContent) -> str:
        if content.status is not None or len(content.numbers) < self._text.value_number:
            return ""
        return content.numbers[self._text.value_number - 1][0]

    def _shape_refusal(self, content: _LineContent) -> Refusal | None:
        """Return why the line has another shape than the profile's lines; None if it has not."""
        if not content.is_text:
            return None
        number_count, count = self._text.number_count, len(content.numbers)
        no_number = content.status is not None or any(
            meaning is not None and meaning.flag in _NO_NUMBER_FLAGS for meaning in content.meanings
        )
        detail = ""
        if not (number_count is None or no_number or count == number_count):
            detail = f"{count_phrase(count, 'number')}, not {number_count}"
        elif self._shapes and content.shape not in self._shapes:
            detail = clean_text(content.shape, _LONGEST_SHAPE)
        elif self._known_unit_words and content.unit_words not in self._known_unit_words:
            detail = clean_text(f"the unit words {' '.join(sorted(content.unit_words)) or 'missing'}", _LONGEST_SHAPE)
        elif not no_number and (value_text := self._value_text(content)):
            detail = _other_form(value_text, self._text.number) or self._other_fixed_number(content)
        return Refusal(RefusalReason.SHAPE, detail) if detail else None

    def _other_fixed_number(self, content: _LineContent) -> str:
        """Return which number beside the value is not written as it must be; empty where all are."""
        same = [(position, self._value_text(content)) for position in self._text.same_numbers]
        for position, text in (*self._text.fixed_numbers, *same):
            there = content.numbers[position - 1][0] if position <= len(content.numbers) else "missing"
            if there != text:
                return clean_text(f"number {position} is {there}, not {text}", _LONGEST_SHAPE)
        return ""

    def other_numbers(self, line: bytes) -> dict[int, str]:
        """Return the texts of the numbers beside the value, by their positions among the line's numbers."""
        content = self._content_of(line)
        numbers = {position: text for position, (text, _) in enumerate(content.numbers, 1)}
        numbers.pop(self._text.value_number, None)
        return numbers

    def unit_words_of(self, line: bytes) -> tuple[str, ...]:
        """Return the words of a line with a unit or a prefix, sorted, apart from units of other numbers."""
        content = self._content_of(line)
        return tuple(sorted(content.unit_words))

    def _word_meaning(self, word: str) -> _WordMeaning:
        word_meaning = self._known_words.get(word) or self._cached_words.get(word)
        if word_meaning is None:
            if len(self._cached_words) >= _CACHE_SIZE:
                self._cached_words.clear()
            word_meaning = self._cached_words[word] = _interpret_word(word, known_only=self._text.known_words_only)
        return word_meaning

    def _interpretation(self, meanings: tuple[Meaning | None, ...]) -> Interpretation:
        interpretation = self._interpretations.get(meanings)
        if interpretation is None:
            if len(self._interpretations) >= _CACHE_SIZE:
                self._interpretations.clear()
            interpretation = self._interpretations[meanings] = merge_meanings(
                meanings, self._defaults, self._fallback_unit
            )
        return interpretation


def _other_form(text: str, form: NumberForm) -> str:
    """Return how a number differs from the form of a profile's numbers; empty if it does not, or if it is none."""
    if form == NumberForm() or isinstance(parse_number_text(text), Status):
        return ""
    sign, digits, exponent_digits, exponent_sign = number_form_of(text)
    if (form.sign == "always" and not sign) or (form.sign == "minus" and sign == "+"):
        return f"{text} with a plus" if sign else f"{text} without a sign"
    if form.digits not in {None, digits}:
        return f"{text} has {count_phrase(digits, 'digit')}, not {form.digits}"
    if form.exponent_digits not in {None, exponent_digits}:
        has = count_phrase(exponent_digits, "digit")
        return f"{text} has {has} in its exponent, not {form.exponent_digits}"
    if form.exponent_sign and not exponent_sign:
        return f"{text} without a sign of its exponent"
    return ""


def _refusal_of(content: _LineContent, shape_refusal: Refusal | None, interpretation: Interpretation) -> Refusal:
    """Return why a line with right check characters has no value."""
    if not content.is_text:
        return Refusal(RefusalReason.NOT_TEXT)
    if content.unknown:
        return Refusal(RefusalReason.WORD, ", ".join(clean_text(word, _LONGEST_WORD) for word in content.unknown))
    if shape_refusal is not None or interpretation.refusal is not None:
        return shape_refusal or interpretation.refusal or Refusal(RefusalReason.SHAPE)
    is_stated = content.status is not None or any(states_no_number(number) for number, _ in content.numbers)
    return Refusal(RefusalReason.BLANK if is_stated else RefusalReason.NUMBER)


def _kind_of(meaning: Meaning | None) -> str:
    """Return the word that stands in the shape of a line for a word with this meaning."""
    if meaning is None or meaning == _NO_MEANING:
        return "word"
    if meaning.unit or meaning.prefix:
        return "unit"
    return "flag" if meaning.flag is not None else "coupling"


def usual_meaning(word: str) -> Meaning | None:
    """Return the unit and the coupling that a word states by itself (``mV``, ``VDC``, ``AC``); None for neither."""
    coupling = COUPLING_WORDS.get(word.lower())
    if coupling is not None:
        return Meaning(coupling=coupling)
    try:
        unit_word = parse_unit_word(word)
    except InputError:
        return None
    return Meaning(unit=unit_word.unit, coupling=unit_word.coupling)


def _known_word(word: str, meaning: Meaning) -> _WordMeaning:
    """Return the meaning that the profile gives a word; a unit by its usual meaning belongs to the number before it."""
    usual = usual_meaning(word)
    is_unit = usual is not None and meaning.unit != "" and usual.unit == meaning.unit
    return _WordMeaning(_with_stated_coupling(word, meaning), is_unit=is_unit)


def _with_stated_coupling(word: str, meaning: Meaning) -> Meaning:
    """Return the profile's meaning of a word, with the coupling that the word states where the profile gives none.

    Otherwise the profile's coupling would apply, and ``VDC`` would be read as AC. A word that the profile makes a flag,
    or that it ignores, states nothing.
    """
    stated = usual_meaning(word)
    if stated is None or meaning.coupling is not None or meaning.flag is not None or meaning == _NO_MEANING:
        return meaning
    return replace(meaning, coupling=stated.coupling)


def _interpret_word(word: str, *, known_only: bool) -> _WordMeaning:
    if is_overload(word):
        return _WordMeaning(_NO_MEANING, Status.OVERLOAD)
    if is_blank(word):
        return _WordMeaning(_NO_MEANING, Status.INVALID)
    meaning = None if known_only else usual_meaning(word)
    return _WordMeaning(meaning, is_unit=meaning is not None and meaning.unit != "")


def _with_prefix(digits: Decimal, unit: str, quantity: Quantity) -> tuple[Decimal, str]:
    """Return ``(digits, unit)`` as a display shows a number that was sent with an exponent.

    ``4.70E-06 F`` (NR3) is shown as ``4.70 µF``.
    """
    if quantity in _UNPREFIXED_QUANTITIES:
        return digits, unit
    amount = display_amount(quantity, to_base(digits, unit))
    return amount.digits, amount.unit
