"""Splitting a line of text into words and numbers."""

import re
from collections.abc import Callable, Sequence
from itertools import zip_longest
from typing import NamedTuple

from meterlink.profiles.model import Checksum, TextFormat
from meterlink.profiles.number_text import NUMBER

NUMBER_AND_UNIT = re.compile(rf"({NUMBER})(.*)", re.DOTALL)
"""A word that begins with a number: groups ``(number, following text)``."""

_BLANKS = re.compile(r"\s+")
_SEPARATORS = r"\s,;:="
_TO_SPACE = {ord("\t"): " ", 0xA0: " "}  # no-break space
_DECIMAL_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")
_WORD_AND_NUMBER = re.compile(rf"([^0-9+\-.]+)({NUMBER}.*)", re.DOTALL)


def blank_out_checksums(line: bytes, checksums: Sequence[Checksum]) -> bytes:
    """Return a line with its check bytes replaced by blanks."""
    for checksum in checksums:
        first = checksum.at if checksum.at >= 0 else len(line) + checksum.at
        line = line[:first] + b" " * checksum.encoded_size + line[first + checksum.encoded_size :]
    return line


class Tokens(NamedTuple):
    """The words of a line, and the separators before, between and behind them: one more than words.

    A run of blanks is one blank in a separator, and none at the ends of the line.
    """

    words: Sequence[str] = ()
    separators: Sequence[str] = ("",)


def compile_tokenizer(text_format: TextFormat) -> Callable[[bytes], Tokens]:
    """Return a function that splits a line into words; it never raises, and finds none in bytes that are not text."""
    separators = _SEPARATORS + re.escape(text_format.separators)
    blanks = re.compile(rf"([{separators}]+)")
    # Blanks may separate a sign from its number.
    sign = re.compile(
        r"([+-])\s+(?=[0-9.])" if text_format.split_before_number else rf"(?:(?<=[{separators}])|^)([+-])\s+(?=[0-9.])"
    )
    unsplit = text_format.known_words

    def tokenize(line: bytes) -> Tokens:
        try:
            text = line.decode(text_format.encoding).strip("\0 \t\r\n").translate(_TO_SPACE)
        except UnicodeDecodeError:
            return Tokens()
        # A control character in a line is usually a damaged line end.
        if not text.isprintable():
            return Tokens()
        if text_format.decimal_comma:
            text = _DECIMAL_COMMA.sub(".", text)
        parts = blanks.split(sign.sub(r"\1", text))
        words: list[str] = []
        gaps = [""]
        # Words and separators take turns; a separator at an end of the line has an empty word beside it.
        for word, gap in zip_longest(parts[::2], parts[1::2], fillvalue=""):
            for part in _split_word(word, unsplit) if text_format.split_before_number else (word,) * bool(word):
                words.append(part)
                gaps.append("")
            gaps[-1] += _BLANKS.sub(" ", gap)
        return Tokens(words, gaps)

    return tokenize


def _split_word(word: str, unsplit: frozenset[str]) -> tuple[str, ...]:
    match = None if word in unsplit else _WORD_AND_NUMBER.fullmatch(word)
    return (word,) * bool(word) if match is None else (match[1], match[2])
