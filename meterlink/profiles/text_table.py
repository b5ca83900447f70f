"""The ``[text]`` table of a profile: how lines of text are read."""

import re

from meterlink.profiles.checksum_table import CHECKSUMS
from meterlink.profiles.line_reader import MOST_LINES_BEFORE
from meterlink.profiles.meaning_table import MEANING, UNIT, UNIT_KEYS
from meterlink.profiles.model import NumberForm, TextFormat
from meterlink.profiles.pause_key import PAUSE, PAUSE_KEY
from meterlink.tomlfile.field_types import Boolean, Choice, Entries, Integer, ListOf, Text
from meterlink.tomlfile.tables import Key, Table

_LONGEST_LINE = 4096  # bytes
_MOST_NUMBERS = 64  # of a line
_MOST_WORDS = 256  # without meaning
_MOST_UNIT_WORDS = 16  # of a line
_MOST_PACKETS = 64  # of a line
_MOST_DIGITS = 30  # as many as a number may have before its point
_MOST_SHAPES = 64  # of a meter: a few for each function
_LONGEST_SHAPE = 600  # characters: the words of the longest line that a meter sends
_SHAPE = r"[^\x00-\x1f\x7f]*"
_WORD = r"\S+"
_POSITION = r"[1-9][0-9]?"
_FIXED_REMEDY = 'Write 3 = "000": the text of the third number of a line.'
_SHAPE_REMEDY = "Write value, number, unit, coupling, flag and word in their order."
_WORD_REMEDY = "Write a word without blanks."


def _find_position(text: str) -> int | None:
    return int(text) if re.fullmatch(_POSITION, text) and int(text) <= _MOST_NUMBERS else None


def _find_word(text: str) -> str | None:
    return text if re.fullmatch(_WORD, text) else None


NUMBER_FORM = Table(
    NumberForm,
    Key("sign", Choice(("always", "minus")), None, description="always there, or a minus at most."),
    Key("digits", Integer(1, _MOST_DIGITS), None, description="Digits of the number, without its exponent."),
    Key("exponent_sign", Boolean(), default=False, description="The exponent always has a sign."),
    Key("exponent_digits", Integer(0, 3), None, description="Digits of its exponent; 0: it has none."),
)
TEXT = Table(
    TextFormat,
    Key("end", Text(8, example='"\\n"', clean=False), "\n", description="The end of a line; empty: one line a packet."),
    PAUSE_KEY,
    Key("encoding", Choice(("ascii", "utf-8", "latin-1")), "utf-8", description="How bytes stand for characters."),
    Key("longest", Integer(1, _LONGEST_LINE), 256, description="Limit of a line in bytes."),
    Key("value_number", Integer(1, _MOST_NUMBERS), 1, description="The position of the value among the numbers."),
    Key(
        "number_count", Integer(1, _MOST_NUMBERS), None, description="A line with another count of numbers is invalid."
    ),
    *UNIT_KEYS,
    Key("separators", Text(16, example='"{}"', clean=False), "", description="Characters that separate words."),
    Key("split_before_number", Boolean(), default=False, description="A number may follow a word directly."),
    Key("decimal_comma", Boolean(), default=False, description="A comma between two digits is the decimal point."),
    Key(
        "words",
        Entries(_find_word, _WORD, MEANING, 'ACV = { unit = "V" }', wanted=_WORD_REMEDY),
        (),
        description="The meanings of words.",
    ),
    Key(
        "ignore",
        ListOf(Text(80, pattern=_WORD, wanted=_WORD_REMEDY, clean=False), 0, _MOST_WORDS),
        (),
        description="Words without meaning.",
    ),
    Key(
        "unit_words",
        ListOf(ListOf(Text(80, pattern=_WORD, wanted=_WORD_REMEDY, clean=False), 0, _MOST_UNIT_WORDS), 0, _MOST_WORDS),
        (),
        description="Words with a unit or a prefix that a line has together; one with other such words is invalid.",
    ),
    Key("packets", Integer(1, _MOST_PACKETS), None, description="In how many packets a line comes."),
    Key(
        "continued",
        Boolean(),
        default=False,
        description="A line begins in one packet with the end of the line before it.",
    ),
    Key(
        "shapes",
        ListOf(
            Text(_LONGEST_SHAPE, pattern=_SHAPE, wanted=_SHAPE_REMEDY, clean=False),
            0,
            _MOST_SHAPES,
        ),
        (),
        description="The orders of numbers and words in a line, by their kinds; a line with another order is invalid.",
    ),
    Key(
        "fixed_numbers",
        Entries(
            _find_position,
            _POSITION,
            Text(_MOST_DIGITS, pattern=_WORD, wanted=_FIXED_REMEDY, clean=False),
            '3 = "000"',
            wanted=_FIXED_REMEDY,
        ),
        (),
        description="Numbers beside the value that must be written so, by their positions among the line's numbers.",
    ),
    Key(
        "same_numbers",
        ListOf(Integer(1, _MOST_NUMBERS), 0, _MOST_NUMBERS),
        (),
        description="Positions of numbers that must be written as the value's.",
    ),
    Key("number", NUMBER_FORM, NumberForm(), description="How the number of the value is written."),
    Key("known_words_only", Boolean(), default=False, description="Words outside words and ignore are unknown."),
    Key(
        "lines_before",
        ListOf(ListOf(Text(_LONGEST_SHAPE, clean=False), 0, MOST_LINES_BEFORE), 0, _MOST_SHAPES),
        (),
        description="Lines without a value that may come before one with a value; behind others it is invalid.",
    ),
    Key("checksum", CHECKSUMS, (), "checksums", "Check characters of a line without its end."),
    computed=(*UNIT, PAUSE),
)
