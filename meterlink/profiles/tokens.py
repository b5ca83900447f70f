"""What parts a line of text into words and numbers."""

import re
from collections.abc import Callable, Sequence

from meterlink.profiles.model import Checksum, TextFormat
from meterlink.profiles.number_text import NUMBER

NUMBER_AND_UNIT = re.compile(rf"({NUMBER})(.*)", re.DOTALL)
"""A word that begins with a number, and what follows it."""

_SEPARATORS = r"\s,;:="
_TO_SPACE = {ord("\t"): " ", 0xA0: " "}  # no-break space
_WORD_AND_NUMBER = re.compile(rf"([^0-9+\-.]+)({NUMBER}.*)", re.DOTALL)


def blank_out_checksums(line: bytes, checksums: Sequence[Checksum]) -> bytes:
    """Return a line with blanks in the place of its check bytes."""
    for check in checksums:
        first = check.at if check.at >= 0 else len(line) + check.at
        line = line[:first] + b" " * check.encoded_size + line[first + check.encoded_size :]
    return line


def compile_tokenizer(text_format: TextFormat) -> Callable[[bytes], Sequence[str]]:
    """Return what parts a line into words; it never raises, and finds none in what is no text."""
    parted = _SEPARATORS + re.escape(text_format.separators)
    blanks = re.compile(rf"[{parted}]+")
    # A display's minus may stand apart from its number.
    sign = re.compile(
        r"([+-])\s+(?=[0-9.])" if text_format.split_before_number else rf"(?:(?<=[{parted}])|^)([+-])\s+(?=[0-9.])"
    )
    whole = {word for word, _ in text_format.words} | set(text_format.ignore)

    def words(line: bytes) -> Sequence[str]:
        try:
            plain = line.decode(text_format.encoding).strip("\0 \t\r\n").translate(_TO_SPACE)
        except UnicodeDecodeError:
            return ()
        # A control character in a line is a line end that went wrong, as often as not.
        if not plain.isprintable():
            return ()
        found = [word for word in blanks.split(sign.sub(r"\1", plain)) if word]
        return (
            [part for word in found for part in _split_word(word, whole)] if text_format.split_before_number else found
        )

    return words


def _split_word(word: str, unsplit: set[str]) -> tuple[str, ...]:
    match = None if word in unsplit else _WORD_AND_NUMBER.fullmatch(word)
    return (word,) if match is None else (match[1], match[2])
