"""What parts a line of text into words and numbers."""

import re
from collections.abc import Callable, Sequence

from meterlink.profiles.model import FrameCheck, Text
from meterlink.profiles.number_text import NUMBER

NUMBER_AND_UNIT = re.compile(rf"({NUMBER})(.*)", re.DOTALL)
"""A word that begins with a number, and what follows it."""

_PARTED = r"\s,;:="
_AS_BLANK = {ord("\t"): " ", 0xA0: " "}  # no-break space
_WORD_AND_NUMBER = re.compile(rf"([^0-9+\-.]+)({NUMBER}.*)", re.DOTALL)


def without_checks(line: bytes, checks: Sequence[FrameCheck]) -> bytes:
    """Return a line with blanks in the place of its check bytes."""
    for check in checks:
        first = check.at if check.at >= 0 else len(line) + check.at
        line = line[:first] + b" " * check.taken + line[first + check.taken :]
    return line


def compile_words(text: Text) -> Callable[[bytes], Sequence[str]]:
    """Return what parts a line into words; it never raises, and finds none in what is no text."""
    parted = _PARTED + re.escape(text.separators)
    blanks = re.compile(rf"[{parted}]+")
    # A display's minus may stand apart from its number.
    sign = re.compile(r"([+-])\s+(?=[0-9.])" if text.glued else rf"(?:(?<=[{parted}])|^)([+-])\s+(?=[0-9.])")
    whole = {word for word, _ in text.words} | set(text.ignore)

    def words(line: bytes) -> Sequence[str]:
        try:
            plain = line.decode(text.encoding).strip("\0 \t\r\n").translate(_AS_BLANK)
        except UnicodeDecodeError:
            return ()
        # A control character in a line is a line end that went wrong, as often as not.
        if not plain.isprintable():
            return ()
        found = [word for word in blanks.split(sign.sub(r"\1", plain)) if word]
        return [part for word in found for part in _parts(word, whole)] if text.glued else found

    return words


def _parts(word: str, whole: set[str]) -> tuple[str, ...]:
    match = None if word in whole else _WORD_AND_NUMBER.fullmatch(word)
    return (word,) if match is None else (match[1], match[2])
