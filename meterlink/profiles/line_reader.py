"""The driver ``lined``: lines of text to readings.

A line counts only behind the lines that the profile allows before it.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import replace

from meterlink.core.text import clean_text
from meterlink.driver_api import Reading, Status, Timestamp
from meterlink.profiles.frames import ChannelDecoder, ChannelDecoderFactory
from meterlink.profiles.lines import BEGINNING_MISSING, LineParser, LineSplitter, usual_meaning
from meterlink.profiles.model import Profile, TextFormat
from meterlink.profiles.number_text import is_blank, is_overload
from meterlink.profiles.refusal import Refusal, RefusalReason
from meterlink.profiles.tokens import NUMBER_AND_UNIT

_Words = tuple[str, ...]
"""The words of a line."""

ANY_NUMBER = "number"
"""In the words of `TextFormat.lines_before`, any number; what follows it in the word stays: ``number%``."""

MOST_LINES_BEFORE = 16
"""Lines before a value: one for each part of a display. One more shows that a sequence is longer than all allowed."""

_MARKS = "()[]{}<>'*#|~^!" + '"'  # around a number
_LONGEST_LINE = 30  # characters of a line in a refusal


def compile_lines(profile: Profile) -> ChannelDecoderFactory:
    """Return the decoder factory of a lined profile. Its decoders never raise."""
    text = profile.text or TextFormat()
    parser = LineParser(text)

    def open_channel(channel: str, refusals: list[Refusal]) -> ChannelDecoder:
        split = LineSplitter(text).feed
        reader = LineReader(text, parser)

        def feed(packet: bytes, timestamp: Timestamp) -> tuple[Reading, ...]:
            lines, dropped = split(packet, timestamp.monotonic_ns)
            refusals.extend(dropped)
            for refusal in dropped:
                if refusal.detail == BEGINNING_MISSING:
                    reader.note_end(refusal.data)
            readings = [reader.read(line, channel, timestamp, refusals) for line in lines]
            return tuple([reading for reading in readings if reading is not None])

        return feed

    return open_channel


class LineReader:
    """Reads the lines of one channel of one connection.

    A line without a value names the state of the next value: ``HOLD``, ``F VDC``. ``before`` has the words of each such
    line between the two newest values. Where most values come without such lines, one of them may name a state for
    good: behind an unknown line no value counts until a known line comes. A line that came before each of several
    values names the state of these only.
    """

    def __init__(self, text: TextFormat, parser: LineParser) -> None:
        self.before: tuple[_Words, ...] = ()
        self._parser = parser
        self._known_words = text.known_words
        self._is_glued = text.split_before_number
        self._allowed = tuple(tuple(line.split() for line in lines) for lines in text.lines_before)
        self._waiting: deque[_Words] = deque(maxlen=1 + max(map(len, self._allowed), default=MOST_LINES_BEFORE))
        # Where lines are cut anywhere, two parts of lines may look like one without a value.
        is_whole = text.packets is not None or not text.end
        self._keeps_state = is_whole and () in self._allowed
        self._said = " ".join((*self._known_words, *(line for lines in text.lines_before for line in lines)))
        self._unknown: _Words | None = None  # the line that told the present state, if it is an unknown one
        self._times_told = 0  # values in a row before which it came

    def read(self, line: bytes, channel: str, timestamp: Timestamp, refusals: list[Refusal]) -> Reading | None:
        """Return the reading in the next line; invalid where it cannot be read, with the reason in ``refusals``.

        None for a line without a value that the profile allows before one.
        """
        found: list[Refusal] = []
        reading = self._parser.parse_line(line, channel, timestamp, found)
        if not found or found[0].reason is RefusalReason.BLANK:
            self.before = tuple(self._waiting)
            self._waiting.clear()
            if self._keeps_state:
                self._note_state()
            if strange := self._strange():
                found = [Refusal(RefusalReason.SHAPE, strange, line)]
                reading = replace(reading, digits=None, status=Status.INVALID, resolution=None)
        elif self._tells_state(words := self._parser.words_of(line)):
            self._waiting.append(words)
            if self._is_known(words):
                refusals.append(Refusal(RefusalReason.OTHER_KIND, _short(words), line))
                return None
        refusals += found
        return reading

    def note_end(self, end: bytes) -> None:
        """Take a line whose beginning is missing: of a meter whose lines name states, it may name an unknown one."""
        words = self._parser.words_of(end)
        if self._keeps_state and any(self._allowed) and self._has_foreign_word(words):
            self._unknown, self._times_told = words, 0

    def _tells_state(self, words: _Words) -> bool:
        """Return whether a refused line has no value itself, so that it may name the state of the next value.

        A line with a digit has one, unless the profile knows it; while it is taught, unless no word is that of a value.
        """
        if not words or any(_stands_for_number(word) or self._has_glued_value(word) for word in words):
            return False
        if not _has_digit(words):
            return True
        if self._allowed:
            return self._is_known(words)
        matches = map(NUMBER_AND_UNIT.fullmatch, words)
        said = {*words, *(match[2] for match in matches if match)}
        return self._known_words != set() and said.isdisjoint(self._known_words)

    def _has_glued_value(self, word: str) -> bool:
        """Return whether a word is a known one with something in the place of the number: ``RES--``."""
        if not self._is_glued or word in self._known_words:
            return False
        return any(word.startswith(known) for known in self._known_words)

    def _is_known(self, words: _Words) -> bool:
        return any(_are_alike(words, known) for lines in self._allowed for known in lines)

    def _note_state(self) -> None:
        """Note the state that the lines before a value told, or that they ended."""
        telling = [line for line in self.before if self._is_known(line) or self._has_foreign_word(line)]
        if not telling:
            self._unknown = None if self._times_told > 1 else self._unknown
            self._times_told = 0
        elif self._is_known(telling[-1]):
            self._unknown = None
        else:
            self._times_told = self._times_told + 1 if telling[-1] == self._unknown else 1
            self._unknown = telling[-1]

    def _has_foreign_word(self, words: _Words) -> bool:
        """Return whether a line has neither a digit nor a known word, and a word that is no part of a known one."""
        if _has_digit(words) or any(map(_stands_for_number, words)) or not self._known_words.isdisjoint(words):
            return False
        return any(word not in self._said for word in words)

    def _strange(self) -> str:
        """Return how the lines before the value differ from those that are allowed; empty if they do not."""
        if self._unknown is not None:
            return f"behind the line {_short(self._unknown)}"
        if not self._allowed or (not self.before and () in self._allowed):
            return ""
        if any(len(self.before) == len(lines) and all(map(_are_alike, self.before, lines)) for lines in self._allowed):
            return ""
        return f"behind the line {_short(self.before[0])}" if self.before else "the line before it is missing"


def _short(words: _Words) -> str:
    """Return a line as a refusal names it."""
    return clean_text(" ".join(words), _LONGEST_LINE)


def _has_digit(words: _Words) -> bool:
    return any(char.isdigit() for word in words for char in word)


def _stands_for_number(word: str) -> bool:
    """Return whether a word stands in the place of a number, also with marks or a unit: ``[OL]``, ``OLV``, ``V~--``."""
    plain = word.strip(_MARKS)
    glued = any(is_overload(plain[:at]) and usual_meaning(plain[at:]) for at in range(2, len(plain)))
    return is_blank(plain) or is_overload(plain) or "--" in plain or glued


def general_words(words: Sequence[str]) -> Iterator[str]:
    """Yield the words of a line with `ANY_NUMBER` in the place of each number."""
    for word in words:
        match = NUMBER_AND_UNIT.fullmatch(word)
        yield word if match is None else f"{ANY_NUMBER}{match[2]}"


def _are_alike(words: _Words, allowed: Sequence[str]) -> bool:
    return len(words) == len(allowed) and all(
        told in {word, general} for word, general, told in zip(words, general_words(words), allowed, strict=True)
    )
