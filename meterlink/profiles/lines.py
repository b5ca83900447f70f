"""Lines of text to readings: the driver ``lined``."""

from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity, display_amount, parse_unit, quantity_of, resolution_of, to_base
from meterlink.driver_api import Reading, Status, Timestamp
from meterlink.profiles.checksums import compile_checksum
from meterlink.profiles.frames import ChannelDecoder, ChannelDecoderFactory
from meterlink.profiles.interpretation import Interpretation, fallback_unit_of, merge_meanings
from meterlink.profiles.model import Flag, Meaning, Profile, TextFormat
from meterlink.profiles.number_text import is_blank, is_overload, parse_number_text
from meterlink.profiles.tokens import NUMBER_AND_UNIT, blank_out_checksums, compile_tokenizer

_CACHE_SIZE = 1024  # different words, and different sets of words, whose meaning is kept
_COUPLING_WORDS = {"AC": Meaning(coupling=Coupling.AC), "DC": Meaning(coupling=Coupling.DC)}
_NO_MEANING = Meaning()
_NO_NUMBER_FLAGS = frozenset({Flag.OVERLOAD, Flag.INVALID, Flag.NO_NUMBER})
# Amounts without a prefix's ladder are shown in the unit they came in.
_UNPREFIXED_QUANTITIES = frozenset({Quantity.TEMPERATURE, Quantity.RATIO, Quantity.BATTERY})


def compile_lines(profile: Profile) -> ChannelDecoderFactory:
    """Return what opens channels of a lined profile. What they return never raises, whatever comes."""
    text = profile.text or TextFormat()
    parser = _LineParser(text)

    def open_channel(channel: str) -> ChannelDecoder:
        cut = LineSplitter(text).feed

        def feed(packet: bytes, stamp: Timestamp) -> tuple[Reading, ...]:
            return tuple([parser.parse_line(line, channel, stamp) for line in cut(packet)])

        return feed

    return open_channel


class LineSplitter:
    """The lines of one channel of one connection. Holds no more than the longest line from packet to packet."""

    def __init__(self, text_format: TextFormat) -> None:
        self._end = text_format.end.encode("utf-8")
        self._longest = text_format.longest
        self._buffer = b""
        self._overlong = False

    def feed(self, packet: bytes) -> list[bytes]:
        """Return the lines that ``packet`` completes, without their ends; blank and overlong ones are left out."""
        if not self._end:
            return [packet] if packet.strip() and len(packet) <= self._longest else []
        *lines, rest = (self._buffer + packet).split(self._end)
        found = []
        for line in lines:
            if not self._overlong and line.strip() and len(line) <= self._longest:
                found.append(line)
            self._overlong = False
        # A line that grows without end is dropped, and so is the rest of it, up to the next end.
        if len(rest) > self._longest + len(self._end):
            self._overlong = True
            rest = rest[len(rest) - len(self._end) + 1 :]
        self._buffer = rest
        return found


@dataclass(frozen=True, slots=True)
class _WordMeaning:
    """What a word that is no number says; ``status`` where it stands for the number."""

    meaning: Meaning | None
    status: Status | None = None
    is_unit: bool = False


class _LineParser:
    """Turns lines into readings; keeps only what words mean."""

    def __init__(self, text: TextFormat) -> None:
        self._text = text
        self._words = compile_tokenizer(text)
        self._verifiers = tuple(compile_checksum(check) for check in text.checksums)
        self._defaults = Meaning(unit=text.unit, coupling=text.coupling)
        self._fallback_unit = fallback_unit_of(text.unit, (meaning for _, meaning in text.words))
        self._known_words: dict[str, _WordMeaning] = {
            word: _WordMeaning(meaning) for word, meaning in _COUPLING_WORDS.items()
        }
        self._known_words |= {word: _WordMeaning(_NO_MEANING) for word in text.ignore}
        self._known_words |= {word: _WordMeaning(meaning) for word, meaning in text.words}
        self._cached_words: dict[str, _WordMeaning] = {}
        self._interpretations: dict[tuple[Meaning | None, ...], Interpretation] = {}

    def parse_line(self, line: bytes, channel: str, stamp: Timestamp) -> Reading:
        """Return the reading in a line, invalid where the line makes no sense."""
        if not all(passes(line, line) for passes in self._verifiers):
            return Reading(
                quantity_of(self._fallback_unit),
                None,
                self._fallback_unit,
                stamp,
                Status.INVALID,
                channel=channel,
                packet=line,
            )
        numbers: list[tuple[str, Meaning | None]] = []
        said: list[Meaning | None] = []
        status: Status | None = None
        behind_number = False
        for word in self._words(blank_out_checksums(line, self._text.checksums)):
            match = None if word in self._known_words else NUMBER_AND_UNIT.fullmatch(word)
            if match is not None:
                meaning = self._word_meaning(match[2]).meaning if match[2] else _NO_MEANING
                if meaning is None:
                    said.append(None)  # whichever number it is that this is behind, the line is not understood
                numbers.append((match[1], meaning))
                behind_number = not match[2]
                continue
            found = self._word_meaning(word)
            status = status or found.status
            if behind_number and found.is_unit:
                numbers[-1] = (numbers[-1][0], found.meaning)
            else:
                said.append(found.meaning)
            behind_number = False
        value: Decimal | Status = status or Status.INVALID
        with_exponent = False
        wanted = self._text.number_count
        no_number = status is not None or any(one is not None and one.flag in _NO_NUMBER_FLAGS for one in said)
        if wanted is not None and not no_number and len(numbers) != wanted:
            said.append(None)
        if status is None and len(numbers) >= self._text.value_number:
            written, suffix = numbers[self._text.value_number - 1]
            value, with_exponent = parse_number_text(written), "e" in written.lower()
            said.append(suffix)
        outcome = self._interpretation(tuple(said))
        digits, became, resolution = outcome.convert(value)
        unit = outcome.unit
        if digits is not None and with_exponent and outcome.unscaled:
            digits, unit = _with_prefix(digits, unit, outcome.quantity)
            resolution = resolution_of(digits)
        return Reading(
            outcome.quantity,
            digits,
            unit,
            stamp,
            became,
            outcome.coupling,
            resolution,
            outcome.low_battery,
            channel,
            line,
            outcome.display_hold,
            outcome.relative,
        )

    def _word_meaning(self, word: str) -> _WordMeaning:
        found = self._known_words.get(word) or self._cached_words.get(word)
        if found is None:
            if len(self._cached_words) >= _CACHE_SIZE:
                self._cached_words.clear()
            found = self._cached_words[word] = _interpret_word(word)
        return found

    def _interpretation(self, meanings: tuple[Meaning | None, ...]) -> Interpretation:
        found = self._interpretations.get(meanings)
        if found is None:
            if len(self._interpretations) >= _CACHE_SIZE:
                self._interpretations.clear()
            found = self._interpretations[meanings] = merge_meanings(meanings, self._defaults, self._fallback_unit)
        return found


def _interpret_word(word: str) -> _WordMeaning:
    if is_overload(word):
        return _WordMeaning(_NO_MEANING, Status.OVERLOAD)
    if is_blank(word):
        return _WordMeaning(_NO_MEANING, Status.INVALID)
    try:
        return _WordMeaning(Meaning(unit=parse_unit(word)), is_unit=True)
    except InputError:
        return _WordMeaning(None)


def _with_prefix(digits: Decimal, unit: str, quantity: Quantity) -> tuple[Decimal, str]:
    """Return a number that came with an exponent (NR3, ``4.70E-06 F``) as a display shows it: ``4.70 µF``."""
    if quantity in _UNPREFIXED_QUANTITIES:
        return digits, unit
    amount = display_amount(quantity, to_base(digits, unit))
    return amount.digits, amount.unit
