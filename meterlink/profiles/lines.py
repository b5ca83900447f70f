"""Lines of text to readings: the driver ``lined``."""

from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity, display_form, parse_unit, quantity_of, step_of, to_base
from meterlink.driver_api import Reading, Stamp, Status
from meterlink.profiles.checksums import compile_check
from meterlink.profiles.frames import Channels, Feed
from meterlink.profiles.interpretation import Outcome, combine, resting_unit
from meterlink.profiles.model import Flag, Meaning, Profile, Text
from meterlink.profiles.number_text import is_blank, is_overload, number_in
from meterlink.profiles.tokens import NUMBER_AND_UNIT, compile_words, without_checks

_REMEMBERED = 1024  # different words, and different sets of words, whose meaning is kept
_SAID_ANYWHERE = {"AC": Meaning(coupling=Coupling.AC), "DC": Meaning(coupling=Coupling.DC)}
_NOTHING = Meaning()
_NO_NUMBERS = frozenset({Flag.OVERLOAD, Flag.INVALID, Flag.NO_NUMBER})
# Amounts without a prefix's ladder are shown in the unit they came in.
_AS_WRITTEN = frozenset({Quantity.TEMPERATURE, Quantity.RATIO, Quantity.BATTERY})


def compile_lines(profile: Profile) -> Channels:
    """Return what opens channels of a lined profile. What they return never raises, whatever comes."""
    text = profile.text or Text()
    parser = _Parser(text)

    def open_channel(channel: str) -> Feed:
        cut = LineCutter(text).feed

        def feed(packet: bytes, stamp: Stamp) -> tuple[Reading, ...]:
            return tuple([parser.reading(line, channel, stamp) for line in cut(packet)])

        return feed

    return open_channel


class LineCutter:
    """The lines of one channel of one connection. Holds no more than the longest line from packet to packet."""

    def __init__(self, text: Text) -> None:
        self._end = text.end.encode("utf-8")
        self._longest = text.longest
        self._held = b""
        self._overlong = False

    def feed(self, packet: bytes) -> list[bytes]:
        """Return the lines that ``packet`` completes, without their ends; blank and overlong ones are left out."""
        if not self._end:
            return [packet] if packet.strip() and len(packet) <= self._longest else []
        *lines, rest = (self._held + packet).split(self._end)
        found = []
        for line in lines:
            if not self._overlong and line.strip() and len(line) <= self._longest:
                found.append(line)
            self._overlong = False
        # A line that grows without end is dropped, and so is the rest of it, up to the next end.
        if len(rest) > self._longest + len(self._end):
            self._overlong = True
            rest = rest[len(rest) - len(self._end) + 1 :]
        self._held = rest
        return found


@dataclass(frozen=True, slots=True)
class _Word:
    """What a word that is no number says; ``status`` where it stands for the number."""

    meaning: Meaning | None
    status: Status | None = None
    is_unit: bool = False


class _Parser:
    """Turns lines into readings; keeps only what words mean."""

    def __init__(self, text: Text) -> None:
        self._text = text
        self._words = compile_words(text)
        self._passes = tuple(compile_check(check) for check in text.checks)
        self._usual = Meaning(unit=text.unit, coupling=text.coupling)
        self._rest = resting_unit(text.unit, (meaning for _, meaning in text.words))
        self._fixed: dict[str, _Word] = {word: _Word(meaning) for word, meaning in _SAID_ANYWHERE.items()}
        self._fixed |= {word: _Word(_NOTHING) for word in text.ignore}
        self._fixed |= {word: _Word(meaning) for word, meaning in text.words}
        self._met: dict[str, _Word] = {}
        self._outcomes: dict[tuple[Meaning | None, ...], Outcome] = {}

    def reading(self, line: bytes, channel: str, stamp: Stamp) -> Reading:
        """Return the reading in a line, invalid where the line makes no sense."""
        if not all(passes(line, line) for passes in self._passes):
            return Reading(
                quantity_of(self._rest), None, self._rest, stamp, Status.INVALID, channel=channel, packet=line
            )
        numbers: list[tuple[str, Meaning | None]] = []
        said: list[Meaning | None] = []
        status: Status | None = None
        behind_number = False
        for word in self._words(without_checks(line, self._text.checks)):
            match = None if word in self._fixed else NUMBER_AND_UNIT.fullmatch(word)
            if match is not None:
                meaning = self._meaning(match[2]).meaning if match[2] else _NOTHING
                if meaning is None:
                    said.append(None)  # whichever number it is that this is behind, the line is not understood
                numbers.append((match[1], meaning))
                behind_number = not match[2]
                continue
            found = self._meaning(word)
            status = status or found.status
            if behind_number and found.is_unit:
                numbers[-1] = (numbers[-1][0], found.meaning)
            else:
                said.append(found.meaning)
            behind_number = False
        value: Decimal | Status = status or Status.INVALID
        with_exponent = False
        wanted = self._text.numbers
        no_number = status is not None or any(one is not None and one.flag in _NO_NUMBERS for one in said)
        if wanted is not None and not no_number and len(numbers) != wanted:
            said.append(None)
        if status is None and len(numbers) >= self._text.number:
            written, suffix = numbers[self._text.number - 1]
            value, with_exponent = number_in(written), "e" in written.lower()
            said.append(suffix)
        outcome = self._outcome(tuple(said))
        digits, became, resolution = outcome.finish(value)
        unit = outcome.unit
        if digits is not None and with_exponent and outcome.as_written:
            digits, unit = _prefixed(digits, unit, outcome.quantity)
            resolution = step_of(digits)
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
            outcome.hold,
            outcome.relative,
        )

    def _meaning(self, word: str) -> _Word:
        found = self._fixed.get(word) or self._met.get(word)
        if found is None:
            if len(self._met) >= _REMEMBERED:
                self._met.clear()
            found = self._met[word] = _read_word(word)
        return found

    def _outcome(self, said: tuple[Meaning | None, ...]) -> Outcome:
        found = self._outcomes.get(said)
        if found is None:
            if len(self._outcomes) >= _REMEMBERED:
                self._outcomes.clear()
            found = self._outcomes[said] = combine(said, self._usual, self._rest)
        return found


def _read_word(word: str) -> _Word:
    if is_overload(word):
        return _Word(_NOTHING, Status.OVERLOAD)
    if is_blank(word):
        return _Word(_NOTHING, Status.INVALID)
    try:
        return _Word(Meaning(unit=parse_unit(word)), is_unit=True)
    except InputError:
        return _Word(None)


def _prefixed(digits: Decimal, unit: str, quantity: Quantity) -> tuple[Decimal, str]:
    """Return a number that came with an exponent (NR3, ``4.70E-06 F``) as a display shows it: ``4.70 µF``."""
    if quantity in _AS_WRITTEN:
        return digits, unit
    amount = display_form(quantity, to_base(digits, unit))
    return amount.digits, amount.unit
